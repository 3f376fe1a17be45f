"""Which clips move the light in a span that flashes: also one that begins where the show plays on into its start."""

from __future__ import annotations

from rooms_kit import SMALL_RIG, clock_for, lay_text, rig_of, song_of, steady

from composer.pipeline.flashing import Movers
from composer.render import Renderer

GATE = '[[clip]]\nname = "blink"\nzone = "rail"\neffect = "gate"\nat = "start"\nto = "end"\nevery = "1/2 beat"\n'


def test_a_span_after_the_last_frames_time_is_looked_at_in_the_last_frame() -> None:
    room, song = rig_of(SMALL_RIG), song_of(steady(32), 16.0)
    clock = clock_for(song, room)
    movers = Movers(Renderer(room, clock, lay_text(GATE, song, room, clock), song.loudness))
    assert movers.within("rail", 14.0, 15.0) == ["blink@1.1"]
    # 16 s are 768 frames of 1/48 s: the last latches at 767/48 = 15.979 s, the span begins after it.
    assert clock.frames == 768
    assert movers.within("rail", 15.99, 16.0) == []
    assert movers.within("rail", 16.0, 16.0) == []
