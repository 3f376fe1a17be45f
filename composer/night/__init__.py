"""Show night: the sound, the boards and the evening in step.

    programme  the evening from its first song to its last
    evening    evening.toml: which shows, when, how bright
    company    the boards: found, checked, found again
    sound      the song on a sound card, which is the clock
    stage      one show: boards follow, keys act, the end is dark
    status     the line under it
    clap       flash and click, to trim the light to the sound
    keys       single keys from the terminal
    terminal   lines to it, that never hold up a show
    lock       one `play` at a time

EVENING.md is the page for all of it.
"""

from __future__ import annotations

from .programme import Options, clap_test, play_evening
from .sound import devices

__all__ = ["Options", "clap_test", "devices", "play_evening"]
