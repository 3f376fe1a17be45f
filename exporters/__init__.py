"""Glowscore's exporting wing: frames of bytes in, files out. It knows no music and imports nothing of composer."""
