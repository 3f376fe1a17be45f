"""A show read and rendered again and again as it changes: always the same as if it had been read for the first time."""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from shows import RIG, make_show
from studio_kit import COMMENTED

from composer import pipeline, timeline
from composer.clock import parse_moment
from composer.faults import FaultList, Faults
from composer.pipeline import live, shown
from composer.pipeline.live import Kept, Loader, View
from composer.pipeline.relaying import Relaying
from composer.studio.score_edits import BadEdit, edited
from composer.studio.toml_text import CannotEdit


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A show that none of these tests writes to."""
    return make_show(tmp_path_factory.mktemp("live") / "tide", score=COMMENTED)


def bytes_of(view: View, mode: str) -> np.ndarray:
    """The whole show, bar by bar."""
    return np.concatenate([view.light_of(piece, mode).frames for piece in view.pieces(mode)])


def edit(loader: Loader, text: str, *ops: dict[str, Any]) -> str:
    """A score after some edits."""
    show = loader.read(text)
    return edited(text, ops, show.clock, lambda moment: live.place_of(show, moment), loader.document)[0]


OPS = st.one_of(
    st.builds(
        lambda where, by: {"op": "move", "where": where, "by": by},
        st.sampled_from(["clip[1]", "clip[2]", "phrase.wave[1]", "phrase.wave[2]", "order.wave[1]", "order.wave[2]"]),
        st.sampled_from(["4", "-4", "1", "1/2", "-1/3", "-8"]),
    ),
    st.builds(
        lambda where, key, value: {"op": "set", "where": where, "key": key, "value": value},
        st.sampled_from(["clip[1]", "clip[2]", "phrase.wave[1]"]),
        st.sampled_from(["opacity", "layer", "seed"]),
        st.integers(0, 1),
    ),
    st.just({"op": "set", "where": "trigger[1]", "key": "every", "value": 2}),
    st.just({"op": "set", "where": "colour", "key": "ember", "value": "#00ff80"}),
    st.just({"op": "set", "where": "", "key": "seed", "value": 9}),
    st.just({"op": "set", "where": "", "key": "keep", "value": ["mast"]}),
    st.just({"op": "set", "where": "", "key": "limiter", "value": "off"}),
    st.just({"op": "delete", "where": "clip[1]"}),
    st.just({"op": "copy", "where": "clip[1]", "by": "0", "values": {"zone": "left"}}),
    st.just({"op": "place", "phrase": "wave", "at": "8"}),
    st.just({"op": "add", "kind": "master", "values": {"level": 0.5}, "from": "0"}),
    st.just(
        {"op": "add", "kind": "clip", "values": {"phrase": "wave", "mirror": True, "speed": "double"}, "from": "8"}
    ),
)


@settings(max_examples=12, deadline=None)
@given(st.lists(OPS, min_size=1, max_size=4))
def test_after_any_edits_it_lays_and_renders_as_if_read_anew(folder: Path, ops: list[dict[str, Any]]) -> None:
    loader, kept = Loader(folder), Kept()
    text = loader.path.read_text()
    bytes_of(View(loader.read(text), kept), "on")
    for op in ops:
        try:
            text = edit(loader, text, op)
            show = loader.read(text)
        except (BadEdit, CannotEdit, Faults):
            continue
        view = View(show, kept)
        mode = show.score.limiter
        found = bytes_of(view, mode)
        fresh = Loader(folder).read(text)
        assert timeline.lay(show.score, show.song, show.rig, show.clock, FaultList("")) == show.cues == fresh.cues
        stream = pipeline.within_budget(fresh, pipeline.frames_of(pipeline.renderer_of(fresh)), mode)
        np.testing.assert_array_equal(found, np.concatenate([frames for _, frames, _ in stream]))


@pytest.mark.parametrize(
    "op",
    [
        {"op": "stretch", "where": "clip[1]", "end_by": "-1"},
        {"op": "stretch", "where": "clip[2]", "start_by": "1/2"},
        {"op": "set", "where": "", "key": "keep", "value": ["mast"]},
        {"op": "set", "where": "", "key": "keep", "value": ["left"]},
        {"op": "set", "where": "clip[2]", "key": "only", "value": "left"},
        {"op": "set", "where": "clip[2]", "key": "fade_in", "value": "1 s"},
    ],
)
def test_edits_that_change_one_thing_alone_are_rendered(tmp_path: Path, op: dict[str, Any]) -> None:
    # On bar 4 all is white, which is more than the shed's 2.4 A too: what is kept light changes every byte there.
    folder = make_show(tmp_path / "tide", score=COMMENTED, rig=RIG.replace("amps = 10.0", "amps = 3.0"))
    loader, kept = Loader(folder), Kept()
    text = loader.path.read_text()
    before = bytes_of(View(loader.read(text), kept), "on")
    text = edit(loader, text, op)
    found = bytes_of(View(loader.read(text), kept), "on")
    fresh = Loader(folder).read(text)
    stream = pipeline.within_budget(fresh, pipeline.frames_of(pipeline.renderer_of(fresh)), "on")
    np.testing.assert_array_equal(found, np.concatenate([frames for _, frames, _ in stream]))
    assert (found != before).any()


def test_a_palette_that_changes_is_seen(folder: Path) -> None:
    loader = Loader(folder)
    text = loader.path.read_text()
    shows = [loader.read(f'{text}\n[palette.A]\nember = "{colour}"\n') for colour in ("teal", "red")]
    for show in shows:
        assert show.cues == timeline.lay(show.score, show.song, show.rig, show.clock, FaultList(""))
    assert shows[0].cues != shows[1].cues


# Phrases in phrases, placings that differ, a name twice removed, triggers on everything, a master: all a score may say.
LARGE = """\
format = 1
song = "tide.wav"
title = "All of it"

[colour]
ember = "#ff6a00"
tide = ["#001430", "#00a8a0"]

[[clip]]
zone = "all"
effect = "drift"
bars = "1-8"
colour = "tide"

[[phrase.drop]]
zone = "rail"
effect = "accent"
at = "1.2"
for = "1 beat"
colour = "ember"
layer = 3

[[trigger]]
on = "kick"
every = 2
clip = {name = "thud", zone = "left", effect = "accent", for = "1/2 beat", layer = 5, mix = "max"}

[[phrase.shower]]
phrase = "drop"
mirror = true

[[phrase.shower]]
phrase = "drop"
at = "1.3"
colours = {ember = "white"}

[[phrase.shower]]
zone = "mast"
effect = "blend"
bars = "1"
colour = "tide"
opacity = [["1.1", 0.2], ["end", 1.0]]
layer = 2

[[clip]]
phrase = "shower"
at = "2"

[[clip]]
name = "late"
phrase = "shower"
at = "section B + 1 beat"
seed = 3
speed = "half"

[[clip]]
name = "edge"
zone = "boom"
effect = "edge"
at = "section B"
to = "end - 1 bar"

[order]
shower = ["1", "3", "8"]
drop = "7.3"

[[trigger]]
on = "onsets low"
bars = "5-6"
gap = "0.6 s"
shift = "1/2 beat"
clip = {zone = "mast", effect = "rings", for = "2 beats", layer = 4}

[[master]]
at = "start"
level = 0.2

[[master]]
at = "2.1"
level = 1.0
"""


@pytest.fixture(scope="module")
def large(tmp_path_factory: pytest.TempPathFactory) -> pipeline.Show:
    """A show that says all that a score may say."""
    return pipeline.load_show(make_show(tmp_path_factory.mktemp("large") / "tide", score=LARGE))


def test_a_large_score_laid_again_is_laid_the_same(large: pipeline.Show) -> None:
    relaying = Relaying()
    for left_out in (None, 0, 2, None, 3, 1):
        clips = tuple(clip for i, clip in enumerate(large.score.clips) if i != left_out)
        for master in (large.score.master, ()):
            score = replace(large.score, clips=clips, master=master)
            faults = FaultList("score.toml"), FaultList("score.toml")
            found = relaying.lay(score, large.song, large.rig, large.clock, faults[0])
            assert found == timeline.lay(score, large.song, large.rig, large.clock, faults[1])
            assert faults[0].faults == faults[1].faults == []


def test_faults_of_parts_are_those_of_the_whole(folder: Path) -> None:
    loader = Loader(folder)
    text = loader.path.read_text()
    loader.read(text)
    for wrong in (
        text.replace('bars = "4"', 'bars = "40"'),
        text.replace('wave = ["1", "5"]', 'wave = ["1", "50"]'),
        text.replace('on = "beats"', 'on = "label nothing"'),
        text.replace('zone = "mast"', 'zone = "mist"').replace('bars = "7-8"', 'bars = "70-80"'),
        text.replace("format = 1", 'format = 1\ngrid = "another"'),
        text.replace('song = "tide.wav"', 'song = "tied.wav"'),
        text + '\n[palette.Nowhere]\nember = "teal"\n',
        text + "[[clip]\n",
    ):
        (folder / "wrong.toml").write_text(wrong)
        with pytest.raises(Faults) as here:
            loader.read(wrong)
        with pytest.raises(Faults) as there:
            pipeline.load_show(folder / "wrong.toml")
        wanted = sorted(str(fault).replace("wrong.toml", "score.toml") for fault in there.value.faults)
        assert sorted(map(str, here.value.faults)) == wanted


@pytest.mark.parametrize(
    ("in_rig", "in_score", "told"),
    [
        (("amps = 10.0", "amps = -1"), ('zone = "mast"', 'zone = "mats"'), ("supply.shed.amps", "clip[1].zone")),
        (("left = [", "loft = ["), ('bars = "4"', 'bars = "400"'), ("trigger[1].clip.zone", "clip[2]: starts")),
        (("pixels = 24", "pixels = 0"), ("opacity = 0.5", "opacity = 5"), ("string.mast.pixels", "clip[1].opacity")),
        (("", ""), ('rig = "rig.toml"', 'rig = "rgi.toml"'), ("rig: ", 'did you mean "rig.toml"')),
    ],
)
def test_it_tells_all_that_check_tells(
    tmp_path: Path, in_rig: tuple[str, str], in_score: tuple[str, str], told: tuple[str, str]
) -> None:
    show = make_show(tmp_path / "tide", rig=RIG.replace(*in_rig), score=COMMENTED.replace(*in_score))
    with pytest.raises(Faults) as checked:
        pipeline.load_show(show)
    with pytest.raises(Faults) as read:
        Loader(show).read((show / "score.toml").read_text(encoding="utf-8"))
    assert str(read.value) == str(checked.value)
    assert told[0] in str(read.value) and told[1] in str(read.value)


def test_a_changed_rig_song_or_fix_is_read_again(tmp_path: Path) -> None:
    folder = make_show(tmp_path / "tide", score=COMMENTED)
    loader, kept = Loader(folder), Kept()
    text = loader.path.read_text()
    first = loader.read(text)
    before = bytes_of(View(first, kept), "on")
    assert loader.read(text).rig is first.rig and loader.read(text).song is first.song
    (folder / "rig.toml").write_text(RIG.replace("amps = 0.6", "amps = 0.3"))
    dimmed = loader.read(text)
    assert dimmed.rig is not first.rig
    assert bytes_of(View(dimmed, kept), "on").sum() < before.sum()
    (folder / "tide.fix.toml").write_text('format = 1\nshift = "100 ms"\n')
    assert loader.read(text).song.beats[0] == pytest.approx(first.song.beats[0] + 0.1)


@pytest.mark.parametrize("place", ["rail.csv", "places/rail.csv", "../rail.csv"])
def test_places_that_change_are_read_again_wherever_they_lie(tmp_path: Path, place: str) -> None:
    rig = RIG.replace("path = [[0, 0], [2, 0]]", f'csv = "{place}"')
    folder = make_show(tmp_path / "tide", score=COMMENTED, rig=rig)
    file = folder / place
    file.parent.mkdir(exist_ok=True)
    loader, text = Loader(folder), (folder / "score.toml").read_text()
    for pitch in (0.03, 0.1):
        file.write_text("".join(f"{i * pitch:.2f},0\n" for i in range(60)))
        assert loader.read(text).rig.places[59] == pytest.approx((59 * pitch, 0), abs=0.01)


def test_what_is_kept_has_a_bound() -> None:
    shelf: live.Shelf[int, str] = live.Shelf(100)
    for number in range(10):
        shelf.put(number, "x", 30)
        shelf.get(0)
    assert shelf.get(0) == "x" and shelf.get(9) == "x" and shelf.get(5) is None
    shelf.put(1, "large", 1000)
    assert shelf.get(1) == "large"  # the newest is always kept


def test_written_times_fall_where_the_timeline_lays_them(folder: Path) -> None:
    show = Loader(folder).read((folder / "score.toml").read_text())
    for written, beat in (("3.2", 9), ("section B", 16), ("end - 1 bar", 28), ("2s", 4), ("start", 0)):
        assert live.place_of(show, parse_moment(written)) == Fraction(beat)
    assert live.place_of(show, parse_moment("label nothing")) is None


def test_every_cue_knows_its_block_by_the_block_s_own_name(large: pipeline.Show) -> None:
    labels = {block.label: block.where for block in large.score.blocks()}
    labels |= {trigger.clip.label: trigger.where for trigger in large.score.triggers}
    wheres, placings, inside = shown.origins(large)
    assert {cue.clip for cue in large.cues} >= {"thud", "edge", "drop[1]", "shower[3]", "master"}
    for cue, where in zip(large.cues, wheres, strict=True):
        assert where == ("master" if cue.clip == "master" else labels[cue.clip])
    assert [p.where for p in placings] == [
        "clip[2]", "clip[3]", "order.shower[1]", "order.shower[2]", "order.shower[3]", "order.drop[1]",
    ]  # fmt: skip
    placed = {placing: [] for placing in range(len(placings))}
    for cue, number in zip(large.cues, inside, strict=True):
        if number >= 0:
            placed[number].append(cue.clip)
    assert all(sorted(clips) == ["drop[1]", "drop[1]", "shower[3]"] for clips in list(placed.values())[:-1])
    assert placed[5] == ["drop[1]"]
