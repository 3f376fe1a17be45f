"""The command line as others rely on it: verbs, exit codes, files, and every field by its name and kind."""

from __future__ import annotations

import csv
import json
import os
import shutil
import subprocess
import sys
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from shows import BEAT_S, RIG, ROOT, SCORE, SCORE_BY_EAR, command, listing, make_show

from composer import arguments, songmap
from composer.cli import main
from composer.pipeline import changed_since_bake
from composer.pipeline.loading import wiring_jobs
from exporters.rollfile import RollHeader, RollWriter, StringSpec

NUMBER = (int, float)
NUMBER_OR_NULL = (int, float, type(None))


def fits(value: Any, form: Any, where: str = "") -> None:
    """Assert that a value has a form: a type (or several), [form of each item], {key: form}, {"*": form of any}."""
    if isinstance(form, dict) and "*" in form:
        assert isinstance(value, dict) and value, where
        for key, item in value.items():
            fits(item, form["*"], f"{where}.{key}")
    elif isinstance(form, dict):
        assert isinstance(value, dict), where
        assert form.keys() <= value.keys(), f"{where}: lacks {form.keys() - value.keys()}"
        for key, below in form.items():
            fits(value[key], below, f"{where}.{key}")
    elif isinstance(form, list):
        assert isinstance(value, list), where
        for i, item in enumerate(value):
            fits(item, form[0], f"{where}[{i}]")
    else:
        assert isinstance(value, form) and (form is bool or not isinstance(value, bool)), f"{where}: {value!r}"


EVENTS = [[NUMBER]]
MAP = {
    "version": int,
    "grid": str,
    "song": {"file": str, "sha256": str, "seconds": NUMBER, "sample_rate": int, "decoder": str},
    "tempo": NUMBER,
    "beats": [NUMBER],
    "bars": [int],
    "beats_per_bar": int,
    "confidence": NUMBER,
    "onsets": {"low": EVENTS, "mid": EVENTS, "high": EVENTS},
    "hits": {"kick": EVENTS, "snare": EVENTS, "hat": EVENTS},
    "sections": [{"start": NUMBER, "end": NUMBER, "name": str}],
    "loudness": {"hop_s": NUMBER, "low": [NUMBER], "mid": [NUMBER], "high": [NUMBER], "all": [NUMBER]},
    "labels": dict,
}
SUPPLY = {
    "budget_a": NUMBER,
    "peak_a": NUMBER,
    "peak_s": NUMBER,
    "peak_at": str,
    "mean_a": NUMBER,
    "p99_a": NUMBER,
    "energy_wh": NUMBER,
    "full_white_a": NUMBER,
    "clips": [{"clip": str, "a": NUMBER}],
    "limited_frames": int,
    "most_dimmed": NUMBER,
}
STRING = {"min_v": NUMBER, "min_v_pixel": int, "min_v_s": NUMBER, "frame_wire_us": NUMBER}
CONTROLLER = {"roll_bytes": int, "board_bytes": int, "fits": bool, "ram_bytes": int, "bytes_per_s": NUMBER}
FLASHES = {"worst_per_s": int, "at_s": NUMBER_OR_NULL, "red_worst_per_s": int, "ok": bool, "zones": {"*": dict}}
AUDIT = {
    "ok": bool,
    "supplies": {"*": SUPPLY},
    "feeds": {"*": {"peak_a": NUMBER, "ground_a": NUMBER, "fuse_a": NUMBER_OR_NULL, "wire_ok": bool}},
    "strings": {"*": STRING},
    "controllers": {"*": CONTROLLER},
    "flashes": FLASHES,
}


def read_json(path: Path) -> Any:
    return json.loads(path.read_text(encoding="utf-8"))


# ---- the song map ------------------------------------------------------------------------------------------------


def test_song_map_has_every_field(heard: Path) -> None:
    found = read_json(heard / "tide.map.json")
    fits(found, MAP)
    assert found["song"]["file"] == "tide.wav"
    assert found["song"]["seconds"] == pytest.approx(16.0)
    assert found["song"]["sample_rate"] == 44_100


def test_song_map_is_true_to_the_tune(heard: Path) -> None:
    found = read_json(heard / "tide.map.json")
    beats = np.array(found["beats"])
    # The tune has a beat every 0.5 s; within 20 ms is what a listener cannot tell from exact (practice).
    assert len(beats) >= 28
    assert np.abs(beats / BEAT_S - np.rint(beats / BEAT_S)).max() * BEAT_S < 0.02
    assert found["tempo"] == pytest.approx(60 * (len(beats) - 1) / (beats[-1] - beats[0]), abs=1e-3)
    assert found["bars"] == sorted(set(found["bars"]))
    assert 0 <= found["confidence"] <= 1
    assert all(0 <= share <= 1 for band in ("low", "mid", "high", "all") for share in found["loudness"][band])
    assert all(0 <= s <= 1 and 0 <= t <= 16 for kind in ("onsets", "hits") for e in found[kind].values() for t, s in e)


def test_a_current_map_is_not_made_again(heard: Path, tmp_path: Path) -> None:
    show = shutil.copytree(heard, tmp_path / "tide")
    before = (show / "tide.map.json").stat().st_mtime_ns
    assert main(["check", str(show)]) == 0
    assert (show / "tide.map.json").stat().st_mtime_ns == before


def test_a_map_of_another_song_is_made_again(tmp_path: Path) -> None:
    show = make_show(tmp_path / "tide", score=SCORE_BY_EAR)
    content = read_json(show / "tide.map.json")
    content["song"]["sha256"] = "0" * 64
    (show / "tide.map.json").write_text(json.dumps(content), encoding="utf-8")
    assert main(["check", str(show)]) == 0
    assert read_json(show / "tide.map.json")["song"]["decoder"] != "made"


def test_listen_writes_map_and_clicks(baked: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    import soundfile

    song = shutil.copy(baked / "tide.wav", tmp_path / "tide.wav")
    shutil.copy(baked / "tide.map.json", tmp_path / "tide.map.json")
    assert main(["listen", str(song), "--clicks", str(tmp_path / "clicks.wav")]) == 0
    assert "120.0 beats a minute" in capsys.readouterr().out
    clicks, rate = soundfile.read(tmp_path / "clicks.wav")
    plain, _ = soundfile.read(song)
    assert (len(clicks), rate) == (len(plain), 44_100)
    added = np.abs(clicks - 0.5 * plain / max(1.0, np.abs(plain).max()))
    at_beats = [added[round(i * BEAT_S * rate) :][: rate // 50].max() for i in range(32)]
    between = [added[round((i + 0.5) * BEAT_S * rate) :][: rate // 50].max() for i in range(31)]
    assert min(at_beats) > 0.2 and max(between) < 0.01


def test_listen_keeps_what_a_person_says(baked: Path, tmp_path: Path) -> None:
    song = shutil.copy(baked / "tide.wav", tmp_path / "tide.wav")
    shutil.copy(baked / "tide.map.json", tmp_path / "tide.map.json")
    assert main(["listen", str(song), "--beats-per-bar", "2"]) == 0
    assert "beats_per_bar = 2" in (tmp_path / "tide.fix.toml").read_text(encoding="utf-8")
    found = read_json(tmp_path / "tide.map.json")
    assert found["beats_per_bar"] == 2 and found["bars"][:3] == [0, 2, 4]


def test_listen_to_another_place(baked: Path, tmp_path: Path) -> None:
    song = shutil.copy(baked / "tide.wav", tmp_path / "tide.wav")
    assert main(["listen", str(song), "-o", str(tmp_path / "else.json")]) == 0
    fits(read_json(tmp_path / "else.json"), MAP)
    assert sorted(listing(tmp_path)) == ["else.json", "tide.wav"]


# ---- bake and audit ----------------------------------------------------------------------------------------------


def test_bake_leaves_what_it_says(baked: Path) -> None:
    left = listing(baked / "out")
    assert [name for name in left if "/" not in name] == [
        "audit.html", "audit.json", "deck", "film.png", "quay", "sheet.html",
    ]  # fmt: skip
    assert {
        f"{board}/{name}" for board in ("deck", "quay") for name in ("tide.roll", "settings.json", "manifest.json")
    } <= set(left)
    assert (baked / "out" / "film.png").read_bytes().startswith(b"\x89PNG\r\n\x1a\n")


def test_audit_has_every_field(baked: Path) -> None:
    found = read_json(baked / "out" / "audit.json")
    fits(found, AUDIT)
    assert found["ok"] is True
    assert sorted(found["supplies"]) == ["boat", "shed"]
    assert sorted(found["feeds"]) == ["boom@start", "mast@end", "rail@start"]
    assert sorted(found["strings"]) == ["boom", "mast", "rail"]
    assert sorted(found["controllers"]) == ["deck", "quay"]
    assert sorted(found["flashes"]["zones"]) == ["all", "boom", "left", "mast", "rail"]
    assert found["feeds"]["rail@start"]["fuse_a"] == 5 and found["feeds"]["mast@end"]["fuse_a"] is None


def test_the_rows_of_who_draws_sum_to_the_peak(baked: Path) -> None:
    supplies = read_json(baked / "out" / "audit.json")["supplies"]
    for row in supplies.values():
        names = [clip["clip"] for clip in row["clips"]]
        assert sum(clip["a"] for clip in row["clips"]) == pytest.approx(row["peak_a"], abs=1e-9)
        assert {"idle", "boards"} <= set(names) and len(set(names)) == len(names)
        # Everything is white on bar 4: the clip that does it draws most of what is drawn for light.
        assert names[0] == "white@4.1" and row["peak_at"].startswith("4.")


def test_frame_wire_time_is_the_datasheets(baked: Path) -> None:
    # Worldsemi WS2812B datasheet, data transfer time: 24 bits of 1.25 us a pixel; SK6812RGBW Rev 01: 32 bits. Then the
    # line is low until the frame latches: 300 us suits every batch (composer/chips.toml).
    strings = read_json(baked / "out" / "audit.json")["strings"]
    assert strings["rail"]["frame_wire_us"] == pytest.approx(60 * 24 * 1.25 + 300)
    assert strings["mast"]["frame_wire_us"] == pytest.approx(24 * 32 * 1.25 + 300)


def test_sizes_are_those_of_the_files(baked: Path) -> None:
    controllers = read_json(baked / "out" / "audit.json")["controllers"]
    for name, row in controllers.items():
        size = (baked / "out" / name / "tide.roll").stat().st_size
        assert row["roll_bytes"] == size and row["bytes_per_s"] == pytest.approx(size / 16.0)
    # MicroPython ports/rp2/boards/RPI_PICO/mpconfigboard.h: a file system of 1408 * 1024 bytes.
    assert controllers["quay"]["board_bytes"] == 1408 * 1024


def test_audit_again_finds_the_same(baked: Path, tmp_path: Path) -> None:
    show = shutil.copytree(baked, tmp_path / "tide")
    assert main(["audit", str(show)]) == 0
    again, first = (read_json(folder / "out" / "audit.json") for folder in (show, baked))
    assert again == first and first["limiter"] == "on"


def test_audit_of_a_show_that_has_changed_does_not_blame_clips(baked: Path, tmp_path: Path) -> None:
    show = shutil.copytree(baked, tmp_path / "tide")
    (show / "score.toml").write_text(SCORE.replace('name = "white"', 'name = "white"\ncolour = "ember"'))
    assert main(["audit", str(show)]) == 0
    again, first = (read_json(folder / "out" / "audit.json") for folder in (show, baked))
    for name, row in again["supplies"].items():
        assert row["peak_a"] == first["supplies"][name]["peak_a"]
        assert row["clips"] is None and row["limited_frames"] is None and row["most_dimmed"] is None
    assert any("has changed since it was baked" in note for note in again["notes"])


def test_audit_of_rolls_without_a_score(baked: Path, tmp_path: Path) -> None:
    rolls = [str(baked / "out" / name / "tide.roll") for name in ("quay", "deck")]
    line = ["audit", "--roll", *rolls, "--rig", str(baked / "rig.toml"), "-o", str(tmp_path)]
    assert main([*line, "--csv", str(tmp_path / "amps.csv")]) == 0
    alone, full = read_json(tmp_path / "audit.json"), read_json(baked / "out" / "audit.json")
    needs_score = {"clips", "peak_at", "limited_frames", "most_dimmed", "mean_clips", "thin_out"}
    for name, row in alone["supplies"].items():
        assert all(row[key] is None for key in needs_score)
        assert {k: v for k, v in row.items() if k not in needs_score} == {
            k: v for k, v in full["supplies"][name].items() if k not in needs_score
        }
    assert alone["flashes"] == full["flashes"] and alone["feeds"] == full["feeds"]
    assert len((tmp_path / "amps.csv").read_text().splitlines()) == 769


def test_csv_has_a_row_a_frame_and_columns_by_supply(baked: Path, tmp_path: Path) -> None:
    show = shutil.copytree(baked, tmp_path / "tide")
    assert main(["audit", str(show), "--csv", str(tmp_path / "amps.csv")]) == 0
    with open(tmp_path / "amps.csv", newline="", encoding="utf-8") as file:
        rows = list(csv.reader(file))
    assert rows[0] == ["time_s", "place", "shed", "boat"]
    # 120 beats a minute at about 40 a second: the multiple of 12 nearest to 20 within 25 % is 24 frames a beat.
    assert len(rows) == 1 + 32 * 24
    assert rows[1][:2] == ["0.000000", "1.1"] and rows[1 + 24 * 5 + 12][:2] == ["2.750000", "2.2+1/2"]
    peak = max(float(row[3]) for row in rows[1:])
    assert peak == pytest.approx(read_json(show / "out" / "audit.json")["supplies"]["boat"]["peak_a"], abs=1e-4)


# ---- inspect -----------------------------------------------------------------------------------------------------


def test_frames_by_name_type_and_shape(baked: Path, tmp_path: Path) -> None:
    roll = baked / "out" / "quay" / "tide.roll"
    assert main(["inspect", str(roll), "--frames", str(tmp_path / "frames.npz")]) == 0
    with np.load(tmp_path / "frames.npz", allow_pickle=False) as frames:
        forms = {name: (array.dtype, array.shape) for name, array in frames.items()}
    assert forms == {
        "rail": (np.uint8, (768, 60, 3)),
        "mast": (np.uint8, (768, 24, 4)),
        "times_s": (np.float64, (768,)),
        "periods_us": (np.float64, (768,)),
    }


def roll_of_string(path: Path, name: str) -> Path:
    """A roll of one frame on one string of this name."""
    header = RollHeader("tide", "quay", 1000, "0" * 64, (StringSpec(name, 16, None, 1, 3, "grb", "ws2812b"),))
    with RollWriter(path, header, groups=1) as writer:
        writer.add(0, 1000, np.array([[1, 2, 3]], np.uint8))
    return path


def test_a_string_may_be_called_as_it_likes_but_for_the_times(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    for name in ("file", "allow_pickle"):
        assert (
            main(["inspect", str(roll_of_string(tmp_path / "a.roll", name)), "--frames", str(tmp_path / "a.npz")]) == 0
        )
        with np.load(tmp_path / "a.npz", allow_pickle=False) as frames:
            assert frames[name].tolist() == [[[1, 2, 3]]] and frames["periods_us"].tolist() == [1000.0]
    capsys.readouterr()
    out = tmp_path / "b.npz"
    assert main(["inspect", str(roll_of_string(tmp_path / "b.roll", "times_s")), "--frames", str(out)]) == 2
    assert capsys.readouterr().err.startswith(f"{out}: times_s: a string of this name")
    assert not out.exists()


def test_inspect_tells_what_a_roll_holds(baked: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["inspect", str(baked / "out" / "quay" / "tide.roll"), "--json", "--verify"]) == 0
    found = json.loads(capsys.readouterr().out)
    assert found["title"] == "Ebb & tide" and found["controller"] == "quay" and found["faults"] == []
    assert found["frames"] == 768 and found["song_s"] == 16.0
    assert found["groups"] == 32  # a beat's frames each
    assert found["stored_groups"] < found["groups"]  # bars 5-6 are bars 1-2 once more


# ---- other verbs -------------------------------------------------------------------------------------------------


def test_new_makes_a_show_that_bakes(baked: Path, tmp_path: Path) -> None:
    assert main(["new", str(tmp_path / "mine"), str(baked / "tide.wav")]) == 0
    assert sorted(listing(tmp_path / "mine")) == ["rig.toml", "score.toml", "tide.map.json", "tide.wav"]
    assert main(["bake", str(tmp_path / "mine")]) == 0
    assert (tmp_path / "mine" / "out" / "board" / "tide.roll").stat().st_size > 0


def test_new_and_draft_never_write_over_a_persons_files(
    baked: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    show = shutil.copytree(baked, tmp_path / "tide")
    before = listing(show)
    assert main(["new", str(show)]) == 2
    assert main(["draft", str(show)]) == 2
    assert listing(show) == before
    assert "--force" in capsys.readouterr().err
    assert main(["draft", str(show), "--force"]) == 0
    assert main(["check", str(show)]) == 0


@pytest.mark.parametrize(("name", "starts"), [("rig.svg", b"<"), ("rig.png", b"\x89PNG\r\n\x1a\n")])
def test_rig_is_drawn(baked: Path, tmp_path: Path, name: str, starts: bytes) -> None:
    assert main(["rig", str(baked), "-o", str(tmp_path / name)]) == 0
    assert (tmp_path / name).read_bytes().startswith(starts)


def test_an_mp4_without_ffmpeg_is_no_fault_of_the_show(
    baked: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setenv("PATH", str(tmp_path))
    assert main(["film", str(baked), "-o", str(tmp_path / "film.mp4")]) == 2
    assert "an mp4 needs ffmpeg" in capsys.readouterr().err and not list(tmp_path.iterdir())


def test_film_is_what_bake_draws(baked: Path, tmp_path: Path) -> None:
    assert main(["film", str(baked), "-o", str(tmp_path / "film.png")]) == 0
    assert (tmp_path / "film.png").read_bytes() == (baked / "out" / "film.png").read_bytes()


def test_help_of_every_verb(capsys: pytest.CaptureFixture[str]) -> None:
    from composer.arguments import parser

    verbs = next(action.choices for action in parser()._actions if action.dest == "verb")
    assert verbs is not None and len(verbs) >= 9
    for verb in verbs:
        assert main([verb, "--help"]) == 0
        assert verb in capsys.readouterr().out


# ---- what a shell sees -------------------------------------------------------------------------------------------


@pytest.mark.parametrize("verb", ["check", "bake", "audit", "listen"])
def test_json_prints_one_object_and_nothing_else(baked: Path, tmp_path: Path, verb: str) -> None:
    show = shutil.copytree(baked, tmp_path / "tide")
    done = command(verb, show / "tide.wav" if verb == "listen" else show, "--json")
    assert (done.returncode, done.stderr) == (0, "")
    found = json.loads(done.stdout)
    assert isinstance(found, dict)
    written = {"listen": show / "tide.map.json"}.get(verb, show / "out" / "audit.json")
    assert verb == "check" or found == read_json(written)


def test_silent_in_a_pipe(baked: Path, tmp_path: Path) -> None:
    show = shutil.copytree(baked, tmp_path / "tide")
    done = command("bake", show)
    assert (done.returncode, done.stderr) == (0, "")
    assert "\x1b" not in done.stdout and "\r" not in done.stdout


@pytest.mark.parametrize("unbuffered", ["", "1"])
def test_a_reader_that_goes_away_is_no_fault(baked: Path, unbuffered: str) -> None:
    line = [sys.executable, "-m", "composer", "inspect", str(baked / "out" / "quay" / "tide.roll")]
    env = {**os.environ, "PYTHONUNBUFFERED": unbuffered}
    read, write = os.pipe()
    os.close(read)
    done = subprocess.run(line, cwd=ROOT, env=env, stdout=write, stderr=subprocess.PIPE, text=True, timeout=60)
    os.close(write)
    assert (done.returncode, done.stderr) == (0, "")


@pytest.mark.parametrize(
    ("line", "says"),
    [
        (["bke"], "invalid choice: 'bke' (did you mean \"bake\"?)"),
        (["bake"], "required: SHOW"),
        (["listen", "SHOW/tide.wav", "--hlave"], "glowscore listen: there is no --hlave (did you mean --halve?)\n"),
        (["bake", "SHOW", "--xyz"], "glowscore bake: there is no --xyz\n"),
        (["check", "SHOW/rig.toml"], "rig.toml: is a rig: name the folder of a show, which has a score.toml\n"),
        (
            ["listen", "SHOW/tide.wav", "--shift", "-20ms"],
            'expected one argument, with a minus sign --shift="-20 ms"\n',
        ),
        (["check", "SHOW", "SHOW"], "is one word too many\n"),
        (["bake", "SHOW", "--jobs", "some"], "needs a whole number 0 to 256, got some"),
        (["listen", "SHOW/tide.wav", "--tempo", "96bpm"], "argument --tempo: needs a number, got 96bpm"),
        (["listen", "SHOW/tide.wav", "--beats-per-bar", "3/4"], "--beats-per-bar: needs a whole number, got 3/4"),
        (["bake", "SHOW", "--limiter", "of"], "invalid choice: 'of' (did you mean \"off\"?)"),
        (["bake", "nowhere"], "nowhere/score.toml: no such file"),
        (["audit"], "needs either a show or --roll"),
        (["audit", "SHOW", "--roll", "a.roll"], "needs either a show or --roll"),
        (["audit", "--roll", "a.roll"], "--roll needs --rig FILE"),
        (["audit", "SHOW", "--csv", "nowhere/a.csv"], "nowhere/a.csv: cannot be written: there is no folder nowhere"),
        (["audit", "SHOW", "-o", "nowhere"], "nowhere/quay/tide.roll: no such roll: bake the show"),
        (["inspect", "nowhere.roll"], "nowhere.roll: no such file"),
        (["inspect", "SHOW"], "this is a folder, not a roll"),
        (["rig", "nowhere"], "nowhere: no such folder"),
        *(([verb, "SHOW/tide.wav"], "tide.wav: is no show") for verb in ("rig", "check", "renumber", "load", "play")),
        (["rig", "SHOW/.."], "no rig.toml and no score.toml in it"),
        (["bake", "SHOW", "-o", "SHOW/rig.toml"], "rig.toml: a file of this name is there already: a folder is needed"),
        (["inspect", "SHOW/out/quay/tide.roll", "--frames", "a.txt"], "a.txt: frames are written as .npz"),
        (["listen", "nowhere.wav"], "nowhere.wav: no such file"),
        (["listen", "SHOW/tide.wav", "--double", "--halve"], "--double and --halve both say"),
        (["listen", "SHOW/tide.wav", "--tempo", "nan"], "tempo: needs a number"),
        (["listen", "SHOW/tide.wav", "--shift", "much"], 'listen: --shift: "much" is not a length'),
        (["listen", "SHOW/tide.wav", "--beats-per-bar", "99"], "listen: --beats-per-bar: 99 is out of range"),
        (["listen", "SHOW/tide.wav", "--clicks", "nowhere/c.wav"], "there is no folder nowhere"),
        (
            ["listen", "SHOW/tide.wav", "--level", "banana"],
            "--level: invalid choice: 'banana' (choose from 'double', ",
        ),
        (["listen", "SHOW/tide.wav", "--level", "halve"], "--level: invalid choice: 'halve' (did you mean \"half\"?)"),
        (["new", "SHOW"], "is there already and not empty"),
        (["rig", "SHOW", "-o", "rig.gif"], "rig.gif: a rig is drawn as .svg or .png"),
        (["film", "SHOW", "-o", "nowhere/film.png"], "there is no folder nowhere"),
    ],
)
def test_bad_usage(
    baked: Path,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
    line: list[str],
    says: str,
) -> None:
    before = listing(baked)
    monkeypatch.chdir(tmp_path)
    assert main([part.replace("SHOW", str(baked)) for part in line]) == 2
    told = capsys.readouterr()
    assert says in told.err and told.out == ""
    assert len(told.err.splitlines()) == 1
    assert listing(baked) == before and listing(tmp_path) == {}


def test_the_command_line_knows_every_level() -> None:
    assert arguments.LEVELS == songmap.LEVELS


def test_a_rig_alone_is_wired(tmp_path: Path) -> None:
    (tmp_path / "rig.toml").write_text(RIG, encoding="utf-8")
    (tmp_path / "scratch").mkdir()
    assert set(wiring_jobs(tmp_path, None, tmp_path / "scratch")) == {"quay", "deck"}


def test_a_rig_alone_is_drawn(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "rig.toml").write_text(RIG, encoding="utf-8")
    assert main(["rig", str(tmp_path)]) == 0
    assert capsys.readouterr().out == f"{tmp_path / 'out' / 'rig.svg'}\n"
    assert (tmp_path / "out" / "rig.svg").stat().st_size > 1000


@pytest.mark.parametrize("verb", [["rig"], ["load", "--wiring"]])
def test_an_evening_is_no_rig(tmp_path: Path, capsys: pytest.CaptureFixture[str], verb: list[str]) -> None:
    evening = tmp_path / "evening.toml"
    evening.write_text('shows = ["tide"]\n', encoding="utf-8")
    assert main([*verb, str(evening)]) == 2
    assert capsys.readouterr().err == (
        f"{evening}: is an evening, with a rig for each of its shows: name one show, or a rig file\n"
    )


def test_a_song_that_is_missing_is_told_with_the_one_beside_it(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    show = make_show(tmp_path / "tide", score=SCORE.replace('"tide.wav"', '"tied.wav"'))
    assert main(["check", str(show)]) == 2
    assert capsys.readouterr().err.splitlines()[0] == (
        f'{show / "score.toml"}: song: "tied.wav": no such file (did you mean "tide.wav"?)'
    )


def test_a_rig_that_is_missing_is_told_with_the_one_beside_it(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    show = make_show(tmp_path / "tide", score=SCORE.replace('"rig.toml"', '"rg.toml"'))
    assert main(["check", str(show)]) == 2
    assert capsys.readouterr().err == (
        f'{show / "score.toml"}: rig: "rg.toml": no such file (did you mean "rig.toml"?)\n'
    )


def test_a_zone_that_is_a_part_of_a_string_is_told_where_to_name_it(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    show = make_show(tmp_path / "tide", score=SCORE.replace('zone = "mast"', 'zone = "rail[10:40]"'))
    assert main(["check", str(show)]) == 2
    assert capsys.readouterr().err == (
        f'{show / "score.toml"}: clip[1].zone: there is no zone "rail[10:40]": name that part in rig.toml, [zone] '
        'NAME = ["rail[10:40]"]\n'
    )


def test_a_show_that_is_another_than_its_rolls_is_told_and_played_all_the_same(
    baked: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Loading and playing go by the rolls that are there."""
    show = shutil.copytree(baked, tmp_path / "tide")
    roll = next((show / "out").glob("*/*.roll")).stat()
    for name in ("score.toml", "rig.toml", "tide.wav"):  # an hour newer, as after copying, and nothing else in them
        os.utime(show / name, ns=(roll.st_atime_ns, roll.st_mtime_ns + 3_600_000_000_000))
    assert main(["audit", str(show)]) == 0
    assert capsys.readouterr().err == ""
    (show / "tide.fix.toml").write_text("format = 1\n", encoding="utf-8")
    for name in ("score.toml", "rig.toml"):  # changed, and as old as before
        with (show / name).open("a", encoding="utf-8") as file:
            file.write("# mine\n")
        os.utime(show / name, ns=(roll.st_atime_ns, roll.st_mtime_ns - 3_600_000_000_000))
    told = f"{show}: changed since it was baked: rig.toml, score.toml, tide.fix.toml; bake again to have it\n"
    for _ in range(2):  # an audit of what is baked hides nothing
        assert main(["audit", str(show)]) == 0
        assert capsys.readouterr().err == told
    evening = tmp_path / "evening.toml"
    evening.write_text('format = 1\nshows = ["tide"]\n[quiet]\nhours = "0:00-23:59"\n', encoding="utf-8")
    assert main(["play", str(evening), "--no-boards", "--no-sound", "--port", "nowhere"]) in (0, 1, 2)
    assert capsys.readouterr().err.startswith(told)


def test_where_no_audit_says_what_was_baked_the_times_of_the_files_do(baked: Path, tmp_path: Path) -> None:
    show = shutil.copytree(baked, tmp_path / "tide")
    audit = json.loads((show / "out" / "audit.json").read_text())
    assert audit.pop("made_of").keys() == {"rig.toml", "score.toml", "tide.wav"}
    (show / "out" / "audit.json").write_text(json.dumps(audit))
    assert changed_since_bake(show) == []
    roll = next((show / "out").glob("*/*.roll")).stat()
    os.utime(show / "rig.toml", ns=(roll.st_atime_ns, roll.st_mtime_ns + 3_600_000_000_000))
    assert changed_since_bake(show) == [f"{show}: changed since it was baked: rig.toml; bake again to have it"]


def test_an_evening_is_no_show_and_called_so(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    evening = tmp_path / "evening.toml"
    evening.write_text('format = 1\nshows = ["tide"]\n', encoding="utf-8")
    assert main(["bake", str(evening)]) == 2
    told = "is an evening, which play and load take: name the folder of one of its shows"
    assert capsys.readouterr().err == f"{evening}: {told}\n"


def test_a_word_that_is_none_is_told_with_those_there_are(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    show = make_show(tmp_path / "tide", score=SCORE.replace('limiter = "on"', "limiter = true"))
    assert main(["check", str(show)]) == 2
    assert capsys.readouterr().err == (f'{show / "score.toml"}: limiter: needs one of "on", "warn", "off", got true\n')
