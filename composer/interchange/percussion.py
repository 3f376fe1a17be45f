"""What the notes of the percussion channel are called.

General MIDI System Level 1 (MIDI Manufacturers Association), percussion key map: channel 10, keys 35 to 81. Read on
two public pages that reproduce it; the standard's own print was not at hand. Lower case, and "hi" spelt as there.
"""

from __future__ import annotations

PERCUSSION_CHANNEL = 10  # counted from 1
_FIRST_KEY = 35
_NAMES = (
    "acoustic bass drum", "bass drum 1", "side stick", "acoustic snare", "hand clap", "electric snare",
    "low floor tom", "closed hi-hat", "high floor tom", "pedal hi-hat", "low tom", "open hi-hat", "low-mid tom",
    "hi-mid tom", "crash cymbal 1", "high tom", "ride cymbal 1", "chinese cymbal", "ride bell", "tambourine",
    "splash cymbal", "cowbell", "crash cymbal 2", "vibraslap", "ride cymbal 2", "hi bongo", "low bongo",
    "mute hi conga", "open hi conga", "low conga", "high timbale", "low timbale", "high agogo", "low agogo", "cabasa",
    "maracas", "short whistle", "long whistle", "short guiro", "long guiro", "claves", "hi wood block",
    "low wood block", "mute cuica", "open cuica", "mute triangle", "open triangle",
)  # fmt: skip

PERCUSSION: dict[int, str] = dict(enumerate(_NAMES, _FIRST_KEY))
