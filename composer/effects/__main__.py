"""`python -m composer.effects` writes EFFECTS.md and its pictures anew."""

from .page import write

write()
