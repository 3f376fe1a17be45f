"""The styles of the made-up songs: what drummers, bassists and pianists play, common practice from memory."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

KICK, SNARE, SIDE, CLAP, HAT, RIDE, CRASH, TOM, SHAKER, BELL, BLOCK, STICK = (
    36,
    38,
    37,
    39,
    42,
    51,
    49,
    45,
    70,
    56,
    76,
    31,
)


@dataclass(frozen=True)
class Style:
    """How one kind of music goes.

    bpm : range of the felt beat; beats : beats of a bar; swing : where the second eighth of a beat falls
    kick, snare, hat : variants, each the places in the bar in beats; third : a beat divides by three
    bass, comp : names of `_bass` and `_comp` figures; grain : the smallest melody step, of a beat
    """

    name: str
    bpm: tuple[float, float]
    kick: tuple[tuple[float, ...], ...]
    snare: tuple[tuple[float, ...], ...]
    hat: tuple[tuple[float, ...], ...]
    bass: tuple[str, ...]
    comp: tuple[str, ...]
    beats: int = 4
    swing: float = 0.5
    grain: float = 0.5
    third: bool = False
    share: float = 1.0


def every(step: float, beats: int = 4, start: float = 0.0) -> tuple[float, ...]:
    return tuple(float(x) for x in np.arange(start, beats - 1e-9, step))


_8, _4, _16, _OFF = every(0.5), every(1.0), every(0.25), every(1.0, start=0.5)
_BACK = (1.0, 3.0)
_NONE: tuple[float, ...] = ()

STYLES = (
    Style(
        "rock",
        (84, 160),
        ((0, 2), (0, 2, 2.5), (0, 1.5, 2), (0, 0.5, 2, 2.5), (0, 1.5, 2.5)),
        (_BACK,),
        (_8, _8, _4),
        ("eighths", "root_fifth", "kick", "tresillo"),
        ("eighths", "hold", "quarters", "rolling", "wide tresillo"),
        share=2.0,
    ),
    Style(
        "fast rock",
        (160, 205),
        ((0, 2), (0, 2, 2.5), (0, 0.5, 2, 2.5)),
        (_BACK,),
        (_8, _4),
        ("eighths", "quarters"),
        ("eighths", "hold"),
        share=1.2,
    ),
    Style(
        "ballad",
        (56, 88),
        ((0, 2), (0, 2, 2.5), (0, 1.75, 2)),
        (_BACK, (2.0,)),
        (_8, _16, _4),
        ("long", "root_fifth"),
        ("arpeggio", "quarters", "hold"),
        grain=0.25,
        share=1.2,
    ),
    Style(
        "floor",
        (108, 145),
        (_4,),
        (_BACK, _NONE),
        (_OFF, _8, _16),
        ("eighths", "offbeat", "octaves", "tresillo", "rolling"),
        ("hold", "offbeat", "sixteenths", "tresillo", "arpeggio of three", "rolling"),
        grain=0.25,
        share=1.4,
    ),
    Style(
        "funk",
        (84, 116),
        ((0, 0.75, 2.5), (0, 1.75, 2.25), (0, 0.5, 2.75)),
        (_BACK,),
        (_16, _8),
        ("sixteenths", "kick"),
        ("sixteenths", "offbeat"),
        grain=0.25,
    ),
    Style(
        "half time",
        (120, 172),
        ((0,), (0, 1.5), (0, 2.5)),
        ((2.0,),),
        (_8, _4, _16),
        ("long", "eighths"),
        ("hold", "arpeggio"),
        grain=0.5,
        share=0.4,
    ),
    Style(
        "breaks",
        (150, 180),
        ((0, 2.5), (0, 1.5, 2.5)),
        ((1.0, 3.0), (1.0, 1.75, 3.0)),
        (_8, _16),
        ("long", "eighths"),
        ("hold", "arpeggio"),
        share=0.6,
    ),
    Style(
        "shuffle",
        (84, 150),
        ((0, 2), (0, 1.5, 2), _4),
        (_BACK,),
        (_8, _4),
        ("quarters", "root_fifth", "eighths", "walk"),
        ("offbeat", "quarters", "hold", "charleston"),
        swing=2 / 3,
        share=1.2,
    ),
    Style(
        "swing",
        (110, 230),
        (_NONE, _4, (0, 2)),
        (_NONE, _BACK),
        ((0, 1, 1.5, 2, 3, 3.5), (1.0, 3.0)),
        ("walk",),
        ("charleston", "offbeat", "hold"),
        swing=0.64,
        share=1.5,
    ),
    Style(
        "slow twelve",
        (52, 84),
        ((0, 2), (0, 1.667, 2)),
        (_BACK,),
        (every(1 / 3),),
        ("root_fifth", "thirds"),
        ("thirds", "hold"),
        third=True,
        grain=1 / 3,
        share=0.6,
    ),
    Style(
        "waltz",
        (90, 200),
        ((0,), _NONE),
        ((1.0, 2.0), _NONE),
        (every(1.0, 3), _NONE),
        ("first",),
        ("after", "hold"),
        beats=3,
        share=1.5,
    ),
    Style(
        "slow three",
        (66, 110),
        ((0,), (0, 1.5)),
        ((2.0,), (1.0,)),
        (every(0.5, 3), _NONE),
        ("first", "long"),
        ("arpeggio", "hold"),
        beats=3,
        share=0.8,
    ),
    Style(
        "boom chick",
        (90, 150),
        ((0, 2), _4),
        (_BACK, _OFF),
        (_8, _NONE, _OFF),
        ("root_fifth",),
        ("backbeat", "offbeat"),
        share=1.2,
    ),
    Style(
        "train",
        (100, 135),
        (_4, (0, 2)),
        (_OFF, _16),
        (_NONE, _OFF),
        ("quarters", "root_fifth"),
        ("offbeat", "sixteenths"),
        grain=0.25,
        share=0.7,
    ),
    Style(
        "march",
        (96, 132),
        (_4, (0, 2)),
        (_OFF, (0.5, 1, 1.5, 2.5, 3, 3.25, 3.5)),
        (_NONE, _BACK),
        ("quarters", "root_fifth"),
        ("offbeat",),
        share=0.8,
    ),
    Style(
        "one drop",
        (62, 92),
        ((2.0,), (0, 2)),
        ((2.0,), (1.0, 3.0)),
        (_8, _16),
        ("offgrid", "eighths"),
        ("offbeat",),
        grain=0.5,
        share=0.7,
    ),
    Style(
        "bossa",
        (110, 160),
        ((0, 1.5, 2, 3.5), (0, 2)),
        ((0, 1.5, 3.0), (1.0, 2.5)),
        (_8, _16),
        ("dotted", "root_fifth"),
        ("syncopated", "charleston"),
        share=0.8,
    ),
    Style(
        "latin",
        (90, 128),
        ((0, 1.5, 3), (0, 1.5, 2.5), _4),
        ((1.5, 3.0), (3.0, 3.5), _NONE),
        (_8, _16, _4),
        ("dotted", "quarters"),
        ("syncopated", "offbeat"),
        grain=0.25,
        share=0.8,
    ),
    Style("rag", (76, 112), (_NONE,), (_NONE,), (_NONE,), ("stride",), ("stride",), grain=0.25, share=1.0),
    Style(
        "piano",
        (60, 132),
        (_NONE,),
        (_NONE,),
        (_NONE,),
        ("long", "first"),
        ("arpeggio", "quarters", "eighths"),
        grain=0.5,
        share=1.4,
    ),
    Style(
        "strings",
        (60, 120),
        (_NONE,),
        (_NONE,),
        (_NONE,),
        ("long", "quarters"),
        ("hold", "quarters"),
        grain=0.5,
        share=0.8,
    ),
    Style(
        "arps",
        (100, 150),
        (_4, _NONE, (0, 2)),
        (_BACK, _NONE),
        (_OFF, _16, _NONE),
        ("eighths", "octaves", "long", "tresillo", "rolling"),
        ("sixteenths", "arpeggio", "arpeggio of three", "rolling", "wide tresillo"),
        grain=0.25,
        share=1.0,
    ),
    Style(
        "jig",
        (96, 132),
        ((0, 1), (0,), _NONE),
        (_NONE, (1.0,)),
        (every(1 / 3, 2), _NONE),
        ("first", "quarters"),
        ("thirds", "quarters"),
        beats=2,
        third=True,
        grain=1 / 3,
        share=0.6,
    ),
    Style(
        "slow six",
        (44, 72),
        ((0,), (0, 2 / 3)),
        ((1.0,),),
        (every(1 / 3, 2), _NONE),
        ("first", "quarters"),
        ("thirds", "hold"),
        beats=2,
        third=True,
        grain=1 / 3,
        share=0.6,
    ),
    Style("click", (66, 176), (_NONE,), (_NONE,), (_4,), ("none",), ("none",), share=0.7),
    Style("click in three", (80, 176), (_NONE,), (_NONE,), (every(1.0, 3),), ("none",), ("none",), beats=3, share=0.3),
    Style(
        "drums alone",
        (72, 180),
        ((0, 2), (0, 2, 2.5), (0, 1.5, 2.5), _4),
        (_BACK,),
        (_8, _4, _OFF),
        ("none",),
        ("none",),
        share=1.0,
    ),
    Style(
        "five",
        (110, 176),
        ((0, 3), (0, 1.5, 3)),
        ((4.0,), (1.0, 4.0), _NONE),
        (every(0.5, 5), every(1.0, 5)),
        ("first", "root_fifth"),
        ("hold", "quarters"),
        beats=5,
        share=0.3,
    ),
    Style(
        "seven",
        (120, 200),
        ((0, 4), (0, 2, 4)),
        ((2.0, 6.0), (3.0, 6.0)),
        (every(0.5, 7), every(1.0, 7)),
        ("first", "quarters"),
        ("hold", "eighths"),
        beats=7,
        share=0.3,
    ),
)

PADS, KEYS, GUITARS = (48, 49, 50, 88, 89, 90, 52), (0, 1, 2, 4, 5, 16, 17, 18), (24, 25, 26, 27, 28, 29, 30)
LEADS = (40, 56, 57, 60, 64, 65, 66, 68, 71, 73, 75, 79, 80, 81, 11, 12, 0, 26, 22, 105, 21)
BASSES = (32, 33, 34, 35, 36, 38, 39, 43, 58)
SCALES = ((0, 2, 4, 5, 7, 9, 11), (0, 2, 3, 5, 7, 8, 10), (0, 2, 3, 5, 7, 9, 10), (0, 2, 4, 5, 7, 9, 10))

FIGURES: dict[str, tuple[tuple[float, float], ...]] = {  # (place in beats, length), for a bar of four
    "eighths": tuple((x, 0.45) for x in _8),
    "quarters": tuple((x, 0.9) for x in _4),
    "offbeat": tuple((x, 0.35) for x in _OFF),
    "backbeat": ((1.0, 0.5), (3.0, 0.5)),
    "sixteenths": tuple((x, 0.2) for x in _16),
    "charleston": ((0.0, 1.2), (1.5, 0.5)),
    "syncopated": ((0.0, 0.5), (0.5, 0.5), (1.5, 0.5), (2.5, 0.5), (3.0, 0.5), (3.5, 0.5)),
    "dotted": ((0.0, 1.4), (1.5, 0.5), (2.0, 1.4), (3.5, 0.5)),
    "offgrid": ((0.0, 0.4), (0.75, 0.3), (1.5, 0.4), (2.5, 0.5), (3.0, 0.4)),
    "tresillo": ((0.0, 0.7), (0.75, 0.7), (1.5, 0.45), (2.0, 0.7), (2.75, 0.7), (3.5, 0.45)),
    "wide tresillo": ((0.0, 1.4), (1.5, 1.4), (3.0, 0.9)),
    "rolling": tuple((0.75 * i, 0.3) for i in range(5)),
    "none": (),
    "thirds": tuple((x, 0.3) for x in every(1 / 3)),
    "hold": ((0.0, 3.9),),
    "long": ((0.0, 3.5),),
    "first": ((0.0, 0.9),),
    "after": tuple((x, 0.7) for x in (1.0, 2.0, 3.0)),
    "root_fifth": ((0.0, 0.9), (2.0, 0.9)),
    "octaves": tuple((x, 0.45) for x in _8),
    "walk": tuple((x, 0.9) for x in _4),
}
