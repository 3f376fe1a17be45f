"""Glowscore's composing wing: music, places and light in; the bytes on the wire out."""

__version__ = "0.1.0"
