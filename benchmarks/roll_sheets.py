"""The sheets of the roll corpus: what each show hangs, plays and does. See roll_corpus.py, which makes the shows.

Committed before the work on the codec that they judge; sheets are added, never changed.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Sheet:
    """One show as written. `wobble`: share by which the tempo drifts; `colours` and `score` are parts of score.toml."""

    name: str
    repeats: bool
    bpm: float
    seconds: float
    strings: tuple[tuple[str, int, str, str], ...]  # name, pixels, chip, path
    score: str
    wobble: float = 0.0
    beats_per_bar: int = 4
    board: str = "pico"
    zones: str = ""


BOLLARDS = Sheet(
    "bollards",
    True,
    120,
    120,
    (("bollards", 60, "sk6812-rgbw", "[[0, 0], [2, 0]]"),),
    """
    [[phrase.verse]]
    zone = "bollards"
    effect = "gate"
    bars = "1-4"
    colour = ["#ff6a00", "#300800"]
    every = "1 beat"
    rhythm = "x.x."
    open = 0.5
    split = 5
    [[phrase.embers]]
    zone = "bollards"
    effect = "drift"
    bars = "1-8"
    colour = ["#100200", "#802000", "#ff6a00"]
    every = "6 beats"
    [[phrase.refrain]]
    zone = "bollards"
    effect = "accent"
    bars = "1-2"
    colour = ["white", "#ff6a00"]
    every = "2 beats"
    decay = "2 beats"
    [order]
    verse = ["1", "5", "17", "33", "37", "49"]
    embers = ["21", "41", "53"]
    refrain = ["9", "11", "13", "15", "29", "31"]
    """,
)

RAILING = Sheet(
    "railing",
    True,
    128,
    120,
    (("rail", 150, "ws2812b", "[[0, 0], [5, 0]]"),),
    """
    [[phrase.verse]]
    zone = "rail"
    effect = "blend"
    bars = "1-4"
    colour = ["#20004a", "#d82f6a", "#ff7a2a"]
    every = "16 beats"
    [[phrase.verse]]
    zone = "rail"
    effect = "run"
    bars = "1-4"
    layer = 2
    colour = ["white", "#ffe0a0"]
    every = "2 beats"
    [[phrase.chorus]]
    zone = "rail"
    effect = "weave"
    bars = "1-4"
    colour = ["#ff2a2a", "#ffd040", "#2060ff"]
    every = "1 beat"
    glide = 0.6
    [[phrase.chorus]]
    zone = "rail"
    effect = "scatter"
    bars = "1-4"
    layer = 2
    share = 0.05
    [[phrase.chorus]]
    zone = "rail"
    effect = "accent"
    bars = "1-4"
    layer = 3
    mix = "add"
    opacity = 0.6
    every = "1 beat"
    direction = "out"
    shrink = 0.8
    soft = "20 %"
    [order]
    verse = ["1", "5", "9", "13", "33", "37", "41", "45"]
    chorus = ["17", "21", "25", "29", "49", "53", "57", "61"]
    """,
)

BOAT = Sheet(
    "boat",
    True,
    100,
    150,
    (
        ("hull", 180, "ws2812b", "[[0, 1], [6, 1]]"),
        ("mast", 96, "sk6812-rgbw", "[[3, 1], [3, 5]]"),
        ("wheelhouse", 24, "sk6812-rgbw", "[[1, 1.5], [2, 1.5]]"),
    ),
    """
    [[clip]]
    zone = "wheelhouse"
    effect = "hold"
    at = "start"
    to = "end"
    colour = "#ffa040"
    opacity = 0.5
    [[phrase.verse]]
    zone = "hull"
    effect = "run"
    bars = "1-4"
    colour = ["#00b8a0", "#0060ff"]
    every = "4 beats"
    turn = "back"
    easing = "ease"
    tail = "40 %"
    [[phrase.verse]]
    zone = "mast"
    effect = "scatter"
    bars = "1-4"
    colour = ["#9fc4ff", "white"]
    every = "1 beat"
    share = 0.1
    decay = "2 beats"
    [[phrase.chorus]]
    zone = "hull"
    effect = "edge"
    bars = "1-4"
    colour = ["#7a2cff", "#ff4a50", "#ffb020", "black"]
    every = "2 beats"
    direction = "out"
    soft = "10 %"
    [[phrase.chorus]]
    zone = "mast"
    effect = "swell"
    bars = "1-4"
    colour = ["#001030", "#40c0ff", "white"]
    every = "2 beats"
    lag = 0.5
    [order]
    verse = ["1", "5", "9", "25", "29", "33"]
    chorus = ["13", "17", "21", "37", "41", "45", "49", "53"]
    """,
    wobble=0.04,
)

MAST = Sheet(
    "mast",
    True,
    140,
    110,
    (("mast", 200, "ws2812b", "[[0, 0], [0, 7]]"),),
    """
    [[trigger]]
    on = "kick"
    [trigger.clip]
    zone = "mast"
    effect = "accent"
    for = "1 beat"
    colour = ["#ff3020", "#400000"]
    width = "40 %"
    soft = "10 %"
    [[trigger]]
    on = "snare"
    [trigger.clip]
    zone = "mast"
    effect = "accent"
    for = "1/2 beat"
    layer = 2
    mix = "add"
    width = "20 %"
    direction = "back"
    decay = "1/2 beat"
    [[phrase.sparks]]
    zone = "mast"
    effect = "scatter"
    bars = "1-8"
    layer = 3
    mix = "max"
    colour = ["#4060ff", "#a0c0ff"]
    every = "1 beat"
    share = 0.04
    decay = "3 beats"
    together = false
    [[phrase.fill]]
    zone = "mast"
    effect = "run"
    at = "1.3"
    for = "2 beats"
    layer = 3
    mix = "max"
    colour = "#ffd080"
    every = "1 beat"
    width = "3 pixels"
    tail = "12 pixels"
    [order]
    sparks = ["9", "17", "33", "41", "49"]
    fill = ["4", "8", "12", "16", "20", "24", "28", "32", "36", "40", "44", "48", "52", "56", "60"]
    """,
)

FRONT = Sheet(
    "front",
    True,
    120,
    120,
    tuple(
        (name, 250, "ws2812b", f"[[0, {y}], [8, {y}]]") for y, name in enumerate(("sill", "door", "lintel", "eaves"))
    ),
    """
    [[phrase.verse]]
    zone = "all"
    effect = "rings"
    bars = "1-4"
    colour = ["#40a0ff", "#8040ff"]
    every = "2 beats"
    spread = "4 beats"
    centre = [4.0, 0.0]
    width = "0.6 m"
    tail = "1.5 m"
    [[phrase.verse]]
    zone = "eaves"
    effect = "weave"
    bars = "1-4"
    layer = 2
    mix = "max"
    colour = ["#ffb020", "#402000"]
    every = "1 beat"
    width = "10 pixels"
    [[phrase.chorus]]
    zone = "all"
    effect = "drift"
    bars = "1-4"
    colour = ["#ff2060", "#ff8020", "#ffe060"]
    every = "4 beats"
    axis = "plane"
    [[phrase.chorus]]
    zone = "all"
    effect = "accent"
    bars = "1-4"
    layer = 2
    mix = "add"
    opacity = 0.5
    every = "1 beat"
    [[phrase.bridge]]
    zone = "all"
    effect = "scatter"
    bars = "1-4"
    colour = ["white", "#80c0ff"]
    every = "1/2 beat"
    share = 0.08
    decay = "1 beat"
    [order]
    verse = ["1", "5", "25", "29"]
    chorus = ["9", "13", "17", "21", "33", "37", "49", "53", "57"]
    bridge = ["41", "45"]
    """,
    zones='all = ["sill", "door", "lintel", "eaves"]',
)

SLIPWAY = Sheet(
    "slipway",
    True,
    150,
    130,
    (("port", 250, "ws2812b", "[[0, 0], [8, 1]]"), ("starboard", 250, "ws2812b", "[[0, 3], [8, 2]]")),
    """
    [[phrase.waltz]]
    zone = "port"
    effect = "pile"
    bars = "1-8"
    colour = ["#ff4020", "#ffc040", "#ffffff"]
    width = "4 %"
    fall = 2
    [[phrase.waltz]]
    zone = "starboard"
    effect = "swell"
    bars = "1-8"
    colour = ["#001830", "#00a0c0"]
    every = "12 beats"
    lag = 0.3
    [[phrase.turn]]
    zone = "both"
    effect = "gate"
    bars = "1-4"
    colour = ["#60ff90", "#20a0ff", "#ff60c0"]
    every = "1 beat"
    rhythm = "x.x"
    soft = 0.7
    [order]
    waltz = ["1", "9", "21", "29", "41", "49", "61", "69", "89", "97"]
    turn = ["17", "37", "57", "77", "81", "85"]
    """,
    wobble=0.03,
    beats_per_bar=3,
    zones='both = ["port", "starboard"]',
)

LAMPS = Sheet(
    "lamps",
    True,
    90,
    150,
    (("lamps", 120, "sk6812-rgbw", "[[0, 2], [12, 2]]"), ("rail", 300, "ws2812b", "[[0, 1], [10, 1]]")),
    """
    [[clip]]
    zone = "lamps"
    effect = "hold"
    at = "start"
    to = "end"
    colour = "#ffb060"
    opacity = 0.4
    fade_in = "2 bars"
    fade_out = "2 bars"
    [[phrase.pass]]
    zone = "rail"
    effect = "run"
    bars = "1-2"
    colour = "#c8f4ff"
    every = "8 beats"
    width = "2 %"
    tail = "8 %"
    [[phrase.glow]]
    zone = "lamps"
    effect = "swell"
    bars = "1-2"
    layer = 2
    colour = ["#ffb060", "white"]
    from = 0.4
    every = "8 beats"
    [order]
    pass = ["5", "7", "9", "11", "21", "23", "25", "27", "37", "39", "41", "43"]
    glow = ["13", "15", "17", "19", "29", "31", "33", "35"]
    """,
)

TIDE = Sheet(
    "tide",
    False,
    110,
    120,
    (("rail", 160, "ws2812b", "[[0, 0], [5, 0]]"), ("hull", 140, "ws2812b", "[[5, 0], [9, 1]]")),
    """
    [[clip]]
    zone = "water"
    effect = "drift"
    at = "start"
    to = "end"
    colour = ["#00123a", "#00407e", "#007f8c", "#20c0a0"]
    every = "3.7 s"
    width = "1 m"
    flow = 0.6
    [[clip]]
    zone = "hull"
    effect = "gauge"
    at = "start"
    to = "end"
    layer = 2
    mix = "add"
    colour = ["#00ff80", "#ffe000", "#ff2000"]
    band = "low"
    """,
    zones='water = ["rail", "hull"]',
)

GULLS = Sheet(
    "gulls",
    False,
    96,
    120,
    (("mast", 200, "sk6812-rgbw", "[[0, 0], [0, 6]]"),),
    """
    [[clip]]
    zone = "mast"
    effect = "scatter"
    at = "start"
    to = "end"
    colour = ["white", "#ffd0a0", "#a0d0ff"]
    every = "1/2 beat"
    share = 0.06
    decay = "2 beats"
    rise = 0.2
    together = false
    [[clip]]
    zone = "mast"
    effect = "rings"
    at = "start"
    to = "end"
    layer = 2
    mix = "max"
    colour = "#3060ff"
    every = "2 beats"
    spread = "3 beats"
    anywhere = true
    """,
    wobble=0.05,
)

ECHO = Sheet(
    "echo",
    False,
    124,
    120,
    (("eaves", 150, "ws2815", "[[0, 0], [5, 0]]"),),
    """
    [[clip]]
    zone = "eaves"
    effect = "gauge"
    at = "start"
    to = "end"
    colour = ["#2010a0", "#d02080", "#ff9040"]
    shows = "light"
    band = "mid"
    [[clip]]
    zone = "eaves"
    effect = "run"
    at = "start"
    to = "end"
    layer = 2
    mix = "max"
    colour = "#fff0c0"
    every = "2.9 s"
    turn = "back"
    tail = "20 %"
    """,
)

SWELLS = Sheet(
    "swells",
    False,
    84,
    120,
    (("quay", 300, "ws2812b", "[[0, 0], [10, 0]]"), ("mole", 300, "ws2812b", "[[10, 0], [18, 3]]")),
    """
    [[clip]]
    zone = "all"
    effect = "blend"
    at = "start"
    to = "end"
    colour = ["#ff4000", "#8000ff", "#00a0ff", "#00c060"]
    every = "17.3 s"
    repeat = 2.5
    mixing = "oklab"
    [[clip]]
    zone = "all"
    effect = "drift"
    at = "start"
    to = "end"
    layer = 2
    colour = "black"
    every = "2.3 s"
    width = "40 pixels"
    opacity = 0.8
    """,
    wobble=0.02,
    zones='all = ["quay", "mole"]',
)

WATCH = Sheet(
    "watch",
    False,
    72,
    180,
    (("tower", 100, "sk6812-rgbw", "[[0, 0], [0, 3]]"),),
    """
    [[clip]]
    zone = "tower"
    effect = "run"
    at = "start"
    to = "end"
    colour = "#fff4d0"
    every = "4.7 s"
    width = "4 %"
    tail = "10 %"
    turn = "round"
    [[trigger]]
    on = "onsets high"
    every = 3
    [trigger.clip]
    zone = "tower"
    effect = "scatter"
    for = "2 beats"
    layer = 2
    mix = "max"
    colour = ["#ff8040", "#ffd080"]
    share = 0.05
    together = false
    """,
)

SHEETS = (
    BOLLARDS, RAILING, BOAT, MAST, FRONT, SLIPWAY, LAMPS,
    TIDE, GULLS, ECHO, SWELLS, WATCH,
)  # fmt: skip


# ---- from sheet to bytes -----------------------------------------------------------------------------------------
