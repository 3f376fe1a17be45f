"""The page's modules that need no browser, run by node: musical time, fractions, the layout, packets."""

from __future__ import annotations

import json
import shutil
import subprocess
from fractions import Fraction
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from shows import ROOT

from composer.clock import BarGrid
from composer.studio.packet import packet

NODE = shutil.which("node")
PAGE = ROOT / "composer" / "studio" / "page"

pytestmark = pytest.mark.skipif(NODE is None, reason="node is not installed")

# A pickup of two beats, then bars of four; 100 beats a minute, from beat 8 on 120.
KNOTS = [[-2, 400_000], [8, 6_400_000], [48, 26_400_000]]
BARS = [{"bar": 0, "from": -2, "to": 0, "beats": 4}] + [
    {"bar": number + 1, "from": 4 * number, "to": 4 * number + 4, "beats": 4} for number in range(12)
]


def run(body: str, **given: Any) -> Any:
    """What a piece of JavaScript returns; `given` are its names."""
    imports = "".join(
        f'import * as {name} from "{(PAGE / f"{name}.js").as_uri()}";\n' for name in ("time", "layout", "api")
    )
    imports += 'import fs from "node:fs";\n'
    text = f"{imports}const given = {json.dumps(given)};\nconst value = (() => {{ {body} }})();\n"
    text += "process.stdout.write(JSON.stringify(value));"
    line = [str(NODE), "--input-type=module", "-e", text]
    done = subprocess.run(line, capture_output=True, text=True, timeout=60)
    assert done.returncode == 0, done.stderr
    return json.loads(done.stdout)


def test_time_goes_straight_from_knot_to_knot_and_on_beyond_them() -> None:
    got = run(
        """const t = new time.SongTime(given);
        const beats = [400000, 6900000, 27400000].map((us) => t.beat(us));
        return [[-2, 0, 8, 9, 48, 50].map((beat) => t.us(beat)), beats];""",
        knots=KNOTS,
        bars=BARS,
    )
    # 600,000 us a beat up to beat 8, 500,000 after it.
    assert got[0] == [400_000, 1_600_000, 6_400_000, 6_900_000, 26_400_000, 27_400_000]
    assert got[1] == [-2, 9, 50]


def test_names_of_labels_cover_neither_each_other_nor_the_numbers_of_bars() -> None:
    """A system of 16 beats of 20 pixels; names are 6 pixels a letter. Those that come seldom have the first choice."""
    notes = [{"name": "midi 10/42", "beat": beat / 2, "often": 32} for beat in range(32)]
    labels = [*notes, {"name": "door", "beat": 4, "often": 1}, {"name": "gate", "beat": 15.9, "often": 2}]
    placed = run(
        """const system = { from: 0, to: 16, perBeat: 20, right: layout.SIZES.left + 320 };
        const names = layout.placedNames(system, given.labels, given.numbers, (text) => 6 * text.length);
        return names.map(({ name, x }) => ({ name, x: x - layout.SIZES.left }));""",
        labels=labels,
        numbers=[[0, 9], [4, 9], [8, 9], [12, 16]],
    )
    # `door` stands right of the number of its bar; `gate` has no room on the right, before the sheet ends.
    assert placed[:2] == [{"name": "door", "x": 4 * 20 + 9 + 4}, {"name": "gate", "x": pytest.approx(318 - 24 - 4)}]
    assert len(placed) > 3
    spans = sorted((one["x"], one["x"] + 6 * len(one["name"])) for one in placed)
    spans += [(0, 9), (80, 89), (160, 169), (240, 256)]
    spans.sort()
    assert all(end <= start for (_, end), (start, _) in zip(spans, spans[1:], strict=False))
    assert spans[-1][1] <= 320 + 12


@pytest.mark.parametrize(
    ("beat", "address"),
    [(0, "1.1"), (5, "2.2"), (5.5, "2.2+1/2"), (6 + 1 / 3, "2.3+1/3"), (-2, "0.3"), (-1, "0.4"), (47.75, "12.4+3/4")],
)
def test_beats_are_written_as_addresses_of_the_score(beat: float, address: str) -> None:
    # SCORE.md: "17.3+1/2" is bar 17, its beat 3, half a beat after that. A pickup's last beat leads to bar 1.
    assert run("return new time.SongTime(given).address(given.beat);", knots=KNOTS, bars=BARS, beat=beat) == address


def test_addresses_are_those_that_the_score_s_own_reader_writes() -> None:
    grid = BarGrid(tuple(range(0, 50_000_000, 500_000)), tuple(range(0, 48, 4)), 4)
    places = [Fraction(twelfths, 12) for twelfths in range(-24, 48 * 12)]
    got = run(
        "const t = new time.SongTime(given); return given.beats.map((beat) => t.address(beat));",
        knots=KNOTS,
        bars=BARS,
        beats=[float(place) for place in places],
    )
    assert got == [grid.address(place) for place in places]


def test_fractions_are_exact_for_what_falls_on_a_grid() -> None:
    wanted = [Fraction(n, d) for d in (1, 2, 3, 4, 6, 8, 12, 16, 24, 48, 96) for n in range(-2 * d, 2 * d + 1)]
    got = run("return given.values.map(time.fraction);", values=[float(one) for one in wanted])
    assert [Fraction(text) for text in got] == wanted


def test_snapping_counts_from_the_beats_own_bar_line() -> None:
    bars = [{"bar": 1, "from": 0.5, "to": 3.5, "beats": 3}, {"bar": 2, "from": 3.5, "to": 6.5, "beats": 3}]
    got = run(
        "const t = new time.SongTime(given); return [[2.1, 1], [5.2, 0.5], [5.2, 0]].map(([b, s]) => t.snap(b, s));",
        knots=[[0, 0], [7, 7_000_000]],
        bars=bars,
    )
    assert got == [2.5, 5.0, 5.2]


def show(clips: list[dict[str, Any]], sections: list[tuple[int, str]]) -> dict[str, Any]:
    return {
        "bars": BARS,
        "beats_per_bar": 4,
        "zones": ["rail", "mast"],
        "clips": [
            {"kind": "clip", "phrase": None, "layer": 1, "where": f"clip[{i}]", **c} for i, c in enumerate(clips)
        ],
        "cues": [[i, -1, 0, 0, clip["from"], clip["to"]] for i, clip in enumerate(clips)],
        "placings": [],
        "master": [],
        "sections": [{"from": beat, "name": name} for beat, name in sections],
    }


LAY_OUT = """const show = given.show;
    return layout.layOut(show, layout.instancesOf(show), given.how).systems.map((system) => ({
        bars: system.bars.map((bar) => bar.bar),
        from: system.from, to: system.to, top: system.top, height: system.height, right: system.right,
        staves: system.staves,
    }));"""
HOW = {"width": 900, "barsPerLine": 4, "allZones": False}


def test_a_section_begins_a_line_and_the_pickup_stands_before_bar_1() -> None:
    systems = run(LAY_OUT, show=show([], [(0, "A"), (8, "B")]), how=HOW)
    assert [system["bars"] for system in systems] == [[0, 1, 2], [3, 4, 5, 6], [7, 8, 9, 10], [11, 12]]
    assert [b["top"] for b in systems[1:]] == [a["top"] + a["height"] for a in systems[:-1]]


@pytest.mark.parametrize(("beat", "line", "stands"), [(8, 1, 8), (7.98, 1, 8), (8.2, 1, 8), (7.5, 0, 7.5)])
def test_a_section_that_begins_a_breath_beside_a_bar_line_stands_on_it(beat: float, line: int, stands: float) -> None:
    body = """return layout.layOut(given.show, [], given.how).systems.map((system) =>
        system.sections.map((section) => [section.name, section.from, section.stands]));"""
    got = run(body, show=show([], [(0, "A"), (beat, "B")]), how=HOW)
    assert [row for row in got[line] if row[0] == "B"] == [["B", beat, stands]]
    assert sum(len(rows) for rows in got) == 2


@pytest.mark.parametrize(("pickup", "written"), [(-2, [0, 1, 2, 3, 4]), (-0.1, [1, 2, 3, 4])])
def test_numbers_of_bars_do_not_cover_each_other(pickup: float, written: list[int]) -> None:
    bars = [{**BARS[0], "from": pickup}, *BARS[1:5]]
    body = """const [system] = layout.layOut(given.show, [], given.how).systems;
        return layout.numbered(system).map((bar) => bar.bar);"""
    assert run(body, show={**show([], []), "bars": bars}, how=HOW) == written


def test_a_clip_stands_in_every_line_that_it_sounds_in_and_only_there() -> None:
    clips = [{"zone": "rail", "from": 2, "to": 20}, {"zone": "mast", "from": 40, "to": 44}]
    systems = run(LAY_OUT, show=show(clips, []), how=HOW)
    shown = [[(stave["zone"], len(stave["items"])) for stave in system["staves"]] for system in systems]
    assert shown == [[("rail", 1)], [("rail", 1)], [("mast", 1)]]
    first, second = systems[0]["staves"][0]["items"][0], systems[1]["staves"][0]["items"][0]
    assert (first["begins"], first["ends"], second["begins"], second["ends"]) == (True, False, False, True)
    assert first["x"] + first["width"] == pytest.approx(systems[0]["right"])


def test_clips_over_each_other_never_share_a_lane() -> None:
    chance = np.random.default_rng(4)
    clips: list[dict[str, Any]] = []
    for _ in range(60):
        start = int(chance.integers(0, 40))
        clips.append(
            {"zone": "rail", "from": start, "to": start + int(chance.integers(1, 9)), "layer": int(chance.integers(3))}
        )
    for system in run(LAY_OUT, show=show(clips, []), how=HOW):
        for stave in system["staves"]:
            for one in stave["items"]:
                assert stave["top"] <= one["top"] and one["top"] + one["height"] <= stave["top"] + stave["height"]
                for other in stave["items"]:
                    apart = one["to"] <= other["from"] or other["to"] <= one["from"]
                    assert one is other or apart or one["top"] != other["top"]


def test_packets_are_read_as_the_server_writes_them(tmp_path: Path) -> None:
    parts = {
        "roll": b"ROLL\x01\x02\x03",
        "amps": np.array([[0.5, 1.25], [2.0, -3.5]], np.float32),
        "places": np.array([1, -2, 70_000], np.int32),
        "low": np.array([-127, 5], np.int8),
    }
    path = tmp_path / "packet"
    path.write_bytes(packet({"id": "5d", "groups": [[0, 20, 0, 500_000]]}, parts))
    got = run(
        """const file = fs.readFileSync(given.path);
        const bytes = file.buffer.slice(file.byteOffset, file.byteOffset + file.length);
        const read = api.readPacket(bytes);
        const { id, groups } = read;
        return { id, groups, ...Object.fromEntries(Object.entries(read.data).map(([k, v]) => [k, Array.from(v)])) };""",
        path=str(path),
    )
    assert got == {
        "id": "5d",
        "groups": [[0, 20, 0, 500_000]],
        "roll": list(b"ROLL\x01\x02\x03"),
        "amps": [0.5, 1.25, 2.0, -3.5],
        "places": [1, -2, 70_000],
        "low": [-127, 5],
    }
