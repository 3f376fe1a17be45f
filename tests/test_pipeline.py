"""The whole path, its numbers worked out once more from the frames in the rolls by other means."""

from __future__ import annotations

import csv
import errno
import json
import os
import shutil
import subprocess
import sys
import time
import tomllib
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from shows import RIG, ROOT, SCORE, command, listing, make_show

from composer.cli import main
from composer.flash.light import Eye
from composer.pipeline import load_show, results
from composer.pipeline import rolls as rolls_room
from composer.power import PowerAudit
from composer.rig import load_rig
from exporters.rollfile import RollReader

# Published high figures, milliamperes: a dark pixel, one channel full on; how channels add.
#   WS2812B: about 1 mA dark, 60 mA white (Adafruit, NeoPixel Uberguide: Powering): 20 mA a channel.
#   SK6812 RGBW: 80 mA for four channels (same guide). Idle: third-party chip table.
#   WS2815: 15 mA a channel as strips are sold (practice); dies in series, so the largest counts (from memory).
# Boards: Pico 100 mA, ESP32 260 mA at 5 V (datasheets, from memory); the ESP32 behind a converter of 85 % (practice).
HIGH_MA = {"rail": (1.0, 20.0, np.sum), "mast": (1.0, 20.0, np.sum), "boom": (2.1, 15.0, np.max)}
FED_BY = {"rail": "shed", "mast": "shed", "boom": "boat"}
BOARDS_A = {"shed": 0.100, "boat": 0.260 * 5 / (12 * 0.85)}
BUDGET_A = {"shed": 10.0 * 0.8, "boat": 0.6 * 0.8}


def frames_of(show: Path, folder: Path) -> dict[str, np.ndarray]:
    """Every array of both rolls of the small show."""
    found: dict[str, np.ndarray] = {}
    for name in ("quay", "deck"):
        assert main(["inspect", str(show / "out" / name / "tide.roll"), "--frames", str(folder / f"{name}.npz")]) == 0
        with np.load(folder / f"{name}.npz") as arrays:
            found |= dict(arrays)
    return found


def amps_of(frames: dict[str, np.ndarray]) -> dict[str, np.ndarray]:
    """Amperes of each supply in each frame."""
    amps = {name: np.full(len(frames["times_s"]), board) for name, board in BOARDS_A.items()}
    for string, (idle_ma, channel_ma, add) in HIGH_MA.items():
        light = add(frames[string].astype(float), axis=2).sum(axis=1) / 255
        amps[FED_BY[string]] += (frames[string].shape[1] * idle_ma + light * channel_ma) / 1000
    return amps


def audit_of(show: Path) -> Any:
    return json.loads((show / "out" / "audit.json").read_text(encoding="utf-8"))


def rolls(show: Path) -> list[str]:
    return [name for name in listing(show) if name.endswith(".roll")]


@pytest.fixture(scope="module", params=["baked", "heard"])
def show(request: pytest.FixtureRequest) -> Path:
    """The small show by a made map, and by one that was heard."""
    return request.getfixturevalue(request.param)


@pytest.fixture(scope="module")
def frames(show: Path, tmp_path_factory: pytest.TempPathFactory) -> dict[str, np.ndarray]:
    return frames_of(show, tmp_path_factory.mktemp("frames"))


# ---- the numbers -------------------------------------------------------------------------------------------------


def test_peak_mean_and_energy_by_an_independent_sum(show: Path, frames: dict[str, np.ndarray]) -> None:
    seconds = frames["periods_us"] / 1e6
    for name, amps in amps_of(frames).items():
        row = audit_of(show)["supplies"][name]
        peak = int(amps.argmax())
        assert row["budget_a"] == pytest.approx(BUDGET_A[name])
        assert row["peak_a"] == pytest.approx(amps[peak], abs=1e-9)
        assert row["peak_s"] == pytest.approx(frames["times_s"][peak], abs=1e-6)
        assert row["mean_a"] == pytest.approx((amps * seconds).sum() / seconds.sum(), rel=1e-6)
        volts = {"shed": 5.0, "boat": 12.0}[name]
        assert row["energy_wh"] == pytest.approx((amps * seconds).sum() * volts / 3600, rel=1e-6)
        order = np.argsort(amps)
        above = seconds[order][::-1].cumsum() / seconds.sum()  # share of the time at or above each
        assert above[np.searchsorted(-amps[order][::-1], -row["p99_a"] + 1e-6)] == pytest.approx(0.01, abs=0.005)


def test_full_white_by_an_independent_sum(show: Path) -> None:
    # Skipped pixels (mast 20-23) stay dark but powered.
    white = {"shed": 0.1 + 60 * 0.061 + 24 * 0.001 + 20 * 0.080, "boat": BOARDS_A["boat"] + 30 * 0.0171}
    for name, amps in white.items():
        assert audit_of(show)["supplies"][name]["full_white_a"] == pytest.approx(amps)


def test_csv_by_an_independent_sum(show: Path, frames: dict[str, np.ndarray], tmp_path: Path) -> None:
    copy = shutil.copytree(show, tmp_path / "tide")
    assert main(["audit", str(copy), "--csv", str(tmp_path / "amps.csv")]) == 0
    with open(tmp_path / "amps.csv", newline="", encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    assert [float(row["time_s"]) for row in rows] == pytest.approx(frames["times_s"], abs=1e-6)
    for name, amps in amps_of(frames).items():
        assert [float(row[name]) for row in rows] == pytest.approx(amps, abs=1e-4)


def test_with_the_limiter_no_frame_is_over_budget(show: Path, frames: dict[str, np.ndarray]) -> None:
    amps = amps_of(frames)
    assert all((amps[name] <= BUDGET_A[name]).all() for name in amps)
    row = audit_of(show)["supplies"]["boat"]
    assert row["limited_frames"] > 0 and 0 < row["most_dimmed"] < 1
    assert row["peak_a"] > 0.9 * row["budget_a"]  # dimmed to the budget, not far below it


def test_skipped_pixels_stay_dark_and_white_dies_carry_what_is_white(frames: dict[str, np.ndarray]) -> None:
    assert not frames["mast"][:, 20:].any()
    brightest = frames["mast"][:, :20].sum(axis=(1, 2)).argmax()
    # Nearly white light on an RGBW pixel: the white die carries what the colours share; wire order g, r, b, w.
    assert (frames["mast"][brightest, :20, :3] <= 2).all() and (frames["mast"][brightest, :20, 3] > 240).all()


# ---- the times ---------------------------------------------------------------------------------------------------


def test_every_beat_has_its_frame(show: Path, frames: dict[str, np.ndarray]) -> None:
    beats = json.loads((show / "tide.map.json").read_text(encoding="utf-8"))["beats"]
    assert len(beats) >= 28
    nearest = [np.abs(frames["times_s"] - beat).min() for beat in beats]
    assert max(nearest) <= 1e-6


def test_a_song_that_begins_on_a_bar_line_has_that_line_too(baked: Path) -> None:
    """Bars of 2 s from the first sample on (`shows`): the pages, the film and show night name the first one as well."""
    lines = results.bar_lines(load_show(baked))
    assert lines[:3] == [(0.0, 1), (2.0, 2), (4.0, 3)]


def test_frames_follow_on_each_other_from_start_to_end(frames: dict[str, np.ndarray]) -> None:
    times_us, periods_us = frames["times_s"] * 1e6, frames["periods_us"]
    assert times_us[0] == 0
    assert np.diff(times_us) == pytest.approx(periods_us[:-1], abs=1e-3)
    assert times_us[-1] + periods_us[-1] == pytest.approx(16e6, abs=1e-3)
    # The slowest board: a frame of 60 + 24 pixels in one batch is 60 x 30 us on the wire and 300 us of reset
    # (WS2812B datasheet), and 1.5 us a byte for decoding (an estimate of ours).
    assert periods_us.min() >= 60 * 30 + 300 + 1.5 * (60 * 3 + 24 * 4)


def test_both_boards_share_one_clock(show: Path, tmp_path: Path) -> None:
    frames_of(show, tmp_path)
    with np.load(tmp_path / "quay.npz") as quay, np.load(tmp_path / "deck.npz") as deck:
        assert np.array_equal(quay["times_s"], deck["times_s"])
        assert np.array_equal(quay["periods_us"], deck["periods_us"])


def test_a_phrase_placed_twice_has_the_same_bytes_twice(baked: Path, tmp_path: Path) -> None:
    found = frames_of(baked, tmp_path)
    a_bar = 4 * 24
    assert found["rail"][:a_bar].any() and found["boom"][:a_bar].any()
    assert np.array_equal(found["rail"][: 2 * a_bar], found["rail"][4 * a_bar : 6 * a_bar])
    # The boom is dimmed for bar 4; the limiter reaches a beat to either side, so from beat 2 on all is as it was.
    a_beat = 24
    assert np.array_equal(found["boom"][a_beat : 2 * a_bar], found["boom"][4 * a_bar + a_beat : 6 * a_bar])


# ---- the same again ----------------------------------------------------------------------------------------------


def test_a_second_bake_is_equal_to_the_byte(baked: Path, tmp_path: Path) -> None:
    assert main(["bake", str(baked), "-o", str(tmp_path / "again")]) == 0
    assert listing(tmp_path / "again") == listing(baked / "out")


def test_two_processes_bake_the_same_bytes(baked: Path, tmp_path: Path) -> None:
    done = command("bake", baked, "-o", tmp_path / "two", "--jobs", 2)
    assert (done.returncode, done.stderr) == (0, "")
    assert listing(tmp_path / "two") == listing(baked / "out")


def test_small_holds_the_same_frames(baked: Path, tmp_path: Path) -> None:
    show = shutil.copytree(baked, tmp_path / "tide")
    assert main(["bake", str(show), "--small"]) == 0
    (tmp_path / "small").mkdir()
    (tmp_path / "plain").mkdir()
    small, plain = frames_of(show, tmp_path / "small"), frames_of(baked, tmp_path / "plain")
    assert all(np.array_equal(small[name], plain[name]) for name in plain)
    sizes = [sum((s / "out" / name / "tide.roll").stat().st_size for name in ("quay", "deck")) for s in (show, baked)]
    assert sizes[0] <= sizes[1]


# ---- a show that fails -------------------------------------------------------------------------------------------


@pytest.mark.parametrize("mode", ["warn", "off"])
def test_over_budget_leaves_an_audit_and_no_roll(
    baked: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str], mode: str
) -> None:
    show = shutil.copytree(baked, tmp_path / "tide")
    assert len(rolls(show)) == 2
    assert main(["bake", str(show), "--limiter", mode]) == 1
    told = capsys.readouterr()
    assert told.out == "" and len(told.err.splitlines()) == 1
    assert told.err.startswith("supply.boat: ") and "is over its budget of 0.48 A" in told.err
    assert told.err.endswith(f"; no roll was written, see {show / 'out' / 'audit.html'}\n")
    # Not even the rolls of the bake before: they would no longer be what the audit speaks of.
    assert sorted(listing(show / "out")) == ["audit.html", "audit.json", "deck", "film.png", "quay", "sheet.html"]
    found = audit_of(show)
    assert found["ok"] is False and found["limiter"] == mode
    boat = found["supplies"]["boat"]
    assert boat["peak_a"] == pytest.approx(boat["full_white_a"], rel=0.01) and boat["limited_frames"] == 0
    assert sum(row["a"] for row in boat["clips"]) == pytest.approx(boat["peak_a"], abs=1e-9)
    assert main(["audit", str(show)]) == 2
    assert "no such roll: bake the show" in capsys.readouterr().err


def test_within_budget_the_limiters_mode_changes_nothing(tmp_path: Path) -> None:
    show = make_show(tmp_path / "tide", rig=RIG.replace("amps = 0.6", "amps = 2.0"))
    for mode in ("on", "warn", "off"):
        assert main(["bake", str(show), "-o", str(tmp_path / mode), "--limiter", mode]) == 0
    for name in ("quay/tide.roll", "deck/tide.roll"):
        assert len({(tmp_path / mode / name).read_bytes() for mode in ("on", "warn", "off")}) == 1


def test_a_budget_below_idle_fails_and_leaves_nothing(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    show = make_show(tmp_path / "tide", rig=RIG.replace("amps = 0.6", "amps = 0.1"))
    before = listing(show)
    assert main(["bake", str(show)]) == 1
    assert capsys.readouterr().err == (
        "supply.boat: its budget of 0.08 A is below the 0.19 A of its dark pixels (0.06 A) and boards (0.13 A)\n"
    )
    assert listing(show) == before


FLASHING = SCORE.replace('effect = "accent"', 'effect = "gate", every = "1/4 beat"').replace('"left"', '"all"')


def test_too_many_flashes_fail_under_strict_only(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    # Four openings a beat at 120 beats a minute are 8 flashes a second; WCAG 2.3.1 draws its line at three.
    show = make_show(tmp_path / "tide", score=FLASHING, rig=RIG.replace("amps = 0.6", "amps = 2.0"))
    assert main(["bake", str(show)]) == 0
    assert "exceed the WCAG 2.3.1 three-per-second figure" in capsys.readouterr().out
    assert audit_of(show)["flashes"]["ok"] is False and audit_of(show)["flashes"]["worst_per_s"] == 8
    assert main(["audit", str(show), "--strict"]) == 1
    assert len(rolls(show)) == 2  # an audit judges; it takes nothing away
    assert main(["bake", str(show), "--strict"]) == 1
    assert capsys.readouterr().err.count("flashes: 8 in one second (") == 2
    assert rolls(show) == [] and audit_of(show)["ok"] is False


def test_a_show_that_does_not_fit_its_board_fails(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    from dataclasses import replace

    from composer.rig import load

    small = {name: replace(board, fs_bytes=20_000) for name, board in load.boards().items()}
    monkeypatch.setattr(load, "boards", lambda: small)
    show = make_show(tmp_path / "tide")
    assert main(["bake", str(show)]) == 1
    told = capsys.readouterr().err.splitlines()
    assert [line.split(":")[0] for line in told] == ["controller.quay", "controller.deck"]
    assert all("does not fit" in line and "on a board with 20000" in line for line in told)
    assert rolls(show) == [] and audit_of(show)["controllers"]["quay"]["fits"] is False


def compiled_stop() -> SystemError:
    """What Ctrl-C becomes inside numba's code."""
    inner, outer = SystemError("returned a result with an exception set"), SystemError("and so did its caller")
    inner.__cause__, outer.__cause__ = KeyboardInterrupt(), inner
    return outer


@pytest.mark.parametrize(
    ("error", "code", "says"),
    [
        (KeyboardInterrupt(), 130, "stopped; nothing was left half-written"),
        (compiled_stop(), 130, "stopped; nothing was left half-written"),
        (OSError(errno.ENOSPC, "No space left on device"), 2, "No space left on device"),
    ],
    ids=["by hand", "by hand in compiled code", "by a full disk"],
)
@pytest.mark.parametrize("place", ["exporters.rollfile.RollWriter.add", "composer.pipeline.results.audit"])
def test_a_bake_that_is_broken_off_leaves_what_was_there(
    baked: Path,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
    place: str,
    error: BaseException,
    code: int,
    says: str,
) -> None:
    def broken_off(*_: object, **__: object) -> None:
        raise error

    show = shutil.copytree(baked, tmp_path / "tide")
    before = listing(show)
    monkeypatch.setattr(place, broken_off)
    assert main(["bake", str(show)]) == code
    told = capsys.readouterr().err
    assert says in told and len(told.splitlines()) == 1
    assert listing(show) == before


@pytest.mark.skipif(os.name == "nt", reason="Windows ends a process without asking it")
@pytest.mark.parametrize("sign", ["SIGTERM", "SIGHUP"])
@pytest.mark.parametrize("ctrl_c", ["default_int_handler", "SIG_IGN"])  # the latter behind a script's &
def test_a_bake_that_is_asked_to_end_clears_up(baked: Path, tmp_path: Path, sign: str, ctrl_c: str) -> None:
    show = shutil.copytree(baked, tmp_path / "tide")
    before = listing(show)
    script = f"""if True:
        import os, signal, sys, time
        from composer.cli import main
        from composer.pipeline import results
        signal.signal(signal.SIGINT, signal.{ctrl_c})
        results.audit = lambda *_, **__: (os.kill(os.getpid(), signal.{sign}), time.sleep(10))
        sys.exit(main(["bake", {str(show)!r}]))"""
    done = subprocess.run([sys.executable, "-c", script], cwd=ROOT, capture_output=True, text=True, timeout=120)
    assert (done.returncode, done.stderr) == (130, "stopped; nothing was left half-written\n")
    assert listing(show) == before


# ---- broken rolls ------------------------------------------------------------------------------------------------


def damaged(baked: Path, folder: Path, change: Any) -> Path:
    show = shutil.copytree(baked, folder / "tide")
    path = show / "out" / "quay" / "tide.roll"
    path.write_bytes(change(bytearray(path.read_bytes())))
    return show


def flipped_last(data: bytearray) -> bytearray:
    data[-1] ^= 0x10
    return data


@pytest.mark.parametrize(
    ("change", "says"),
    [
        (flipped_last, "checksum"),
        (lambda data: data[:-1], "cut short"),
        (lambda data: data[:20], "cut short"),
        (lambda data: b"", "not a roll"),
        (lambda data: b"RIFF" + data[4:], "not a roll"),
        (lambda data: data[:4] + b"\xff" + data[5:], "version 255"),
    ],
    ids=["a bit of the last byte", "last byte lost", "20 bytes left", "empty", "something else", "a later version"],
)
def test_a_broken_roll_is_told_and_fails(
    baked: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str], change: Any, says: str
) -> None:
    show = damaged(baked, tmp_path, change)
    path = show / "out" / "quay" / "tide.roll"
    assert main(["inspect", str(path), "--verify"]) == 1
    told = capsys.readouterr().err
    assert says in told and all(line.startswith(f"{path}: ") for line in told.splitlines())
    assert ("bake the show again" in told) is (says != "not a roll")
    before = listing(show)
    assert main(["inspect", str(path), "--frames", str(show / "frames.npz")]) == 1
    assert main(["audit", str(show)]) == 1
    assert ("bake the show again" in capsys.readouterr().err) is (says != "not a roll")
    assert listing(show) == before  # no half-written frames, and the audit of before stands


def test_rolls_of_another_rig_are_not_audited(baked: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    show = shutil.copytree(baked, tmp_path / "tide")
    (show / "rig.toml").write_text(RIG.replace("pixels = 60", "pixels = 61"), encoding="utf-8")
    assert main(["audit", str(show)]) == 1
    assert "was baked for another rig" in capsys.readouterr().err


def test_chip_rows_hold_the_figures_used_here() -> None:
    rows = tomllib.loads((ROOT / "composer" / "chips.toml").read_text(encoding="utf-8"))
    for chip, string in (("ws2812b", "rail"), ("sk6812-rgbw", "mast"), ("ws2815", "boom")):
        idle_ma, channel_ma, add = HIGH_MA[string]
        assert rows[chip]["idle_ma"][0][1] == idle_ma and rows[chip]["channel_ma"][0][1] == channel_ma
        assert rows[chip]["law"][0] == {np.sum: "sum", np.max: "max"}[add]


def test_a_board_that_left_the_rig_leaves_no_roll(baked: Path, tmp_path: Path) -> None:
    show = shutil.copytree(baked, tmp_path / "tide")
    old = show / "out" / "jetty" / "tide.roll"
    old.parent.mkdir()
    shutil.copy(show / "out" / "deck" / "tide.roll", old)
    (show / "out" / "jetty" / "other.roll").write_bytes(b"another song's")
    assert main(["bake", str(show)]) == 0
    assert [path.name for path in old.parent.iterdir()] == ["other.roll"]


SHORT = """\
format = 1
song = "tide.wav"
[[clip]]
zone = "all"
effect = "hold"
at = "start"
to = "end"
opacity = 0.2
"""


def test_the_folder_of_a_renamed_board_goes_and_another_shows_package_is_told_of(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    show = make_show(tmp_path / "tide", seconds=4.0, score=SHORT)
    assert main(["bake", str(show)]) == 0
    out = show / "out"
    shutil.copytree(out / "deck", out / "jetty")
    roll = (out / "deck" / "tide.roll").read_bytes()
    (out / "jetty" / "tide.roll").unlink()
    (out / "jetty" / "ebb.roll").write_bytes(roll)
    (show / "rig.toml").write_text(
        RIG.replace("controller.deck", "controller.hut").replace('"deck"', '"hut"'), encoding="utf-8"
    )
    capsys.readouterr()
    assert main(["bake", str(show)]) == 0
    assert sorted(path.name for path in out.iterdir() if path.is_dir()) == ["hut", "jetty", "quay"]
    assert f"{out / 'jetty'}: the rig has no such controller: delete the folder" in capsys.readouterr().out


def test_rolls_without_their_neighbours_are_told_of(
    baked: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    roll = str(baked / "out" / "quay" / "tide.roll")
    assert main(["audit", "--roll", roll, "--rig", str(baked / "rig.toml"), "-o", str(tmp_path)]) == 0
    assert "Without their rolls, the strings of deck count as dark." in capsys.readouterr().err


def test_every_block_is_looked_at_when_none_is_kept(baked: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    # Blocks that are let go are followed by others at the same place in memory: those are not the same blocks.
    class Enough(Exception):
        """The rest of the audit is not asked for."""

    class Forgets(PowerAudit):
        def add(self, *_: Any) -> bool:
            """Keeps nothing, so that every block is freed."""
            return True

        def result(self, *_: Any) -> Any:
            raise Enough

    looked_at = []

    def counted(_: Any, blocks: Any, so_far: Any) -> Any:
        looked_at.extend(1 for _ in blocks)
        return so_far

    monkeypatch.setattr(rolls_room, "KEPT_BYTES", 0)
    monkeypatch.setattr(results, "PowerAudit", Forgets)
    monkeypatch.setattr(Eye, "largest", counted)
    rig = load_rig(baked / "rig.toml")
    paths = {name: baked / "out" / name / "tide.roll" for name in rig.controllers}
    with pytest.raises(Enough):
        results.audit(rig, lambda: rolls_room.read_back(rig, paths), str)
    assert len(looked_at) == len(RollReader(paths["quay"]))


def test_what_a_killed_bake_left_is_cleared_a_day_later(tmp_path: Path) -> None:
    show = make_show(tmp_path / "tide")
    old, young = show / "out" / ".baking-old", show / "out" / ".baking-young"
    for folder in (old, young):
        (folder / "quay").mkdir(parents=True)
    two_days_ago = time.time() - 2 * 24 * 3600
    os.utime(old, (two_days_ago, two_days_ago))
    assert main(["bake", str(show)]) == 0
    assert [path.name for path in (show / "out").glob(".baking-*")] == [young.name]
