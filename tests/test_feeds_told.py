"""What is wrong with a rig's fuses, wires and volts is told wherever a person may look, and may fail the show."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from shows import RIG, make_show

from composer.cli import main

# Every feed with wire and fuse, no pixel starved: nothing to complain of.
SOUND = (
    RIG.replace('at = "start"', "at = 30", 1)
    .replace("fuse = 5", "fuse = 4")
    .replace('at = "end"\nsupply = "shed"', 'at = "end"\nsupply = "shed"\nwire = {awg = 16, metres = 1}\nfuse = 2')
    .replace('at = "start"\nsupply = "boat"', 'at = "start"\nsupply = "boat"\nwire = {awg = 16, metres = 1}\nfuse = 2')
)


def verbs_say(show: Path, capsys: pytest.CaptureFixture[str]) -> dict[str, str]:
    """What `check` and `bake` print of the rig, and the verdict of the page."""
    capsys.readouterr()
    assert main(["check", str(show)]) == 0
    said = {"check": capsys.readouterr().out}
    assert main(["bake", str(show)]) == 0
    said["bake"] = capsys.readouterr().out
    page = (show / "out" / "audit.html").read_text(encoding="utf-8")
    said["page"] = page[page.index('class="verdict') : page.index("<h2>")]
    return said


def test_a_sound_rig_is_not_spoken_of(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    said = verbs_say(make_show(tmp_path / "tide", rig=SOUND), capsys)
    assert "feed " not in said["check"] + said["bake"] + said["page"]
    assert main(["audit", str(tmp_path / "tide"), "--no-red"]) == 0


@pytest.mark.parametrize(
    ("change", "line"),
    [
        (("fuse = 4\n", ""), "feed rail@30 has no fuse: add fuse = AMPERES, at most 10.0 A for its wire"),
        # NEC 240.4(D), from memory: a fuse of 7 A at most for 18 AWG.
        (
            ("{awg = 16, metres = 1.5}\nfuse = 4", "{awg = 18, metres = 1.5}\nfuse = 50"),
            "feed rail@30: its 50 A fuse does not protect its wire, which carries 7.00 A",
        ),
        # 1 m of strip at 0.123 ohm and 1.5 m of 16 AWG at 13.2 mohm a metre: 5 V / (2 x 0.143 ohm) = 17.5 A.
        (("fuse = 4", "fuse = 6"), "feed rail@30: a short at the far end of its run draws 17."),
    ],
    ids=["none", "too large for its wire", "too large for a short"],
)
def test_a_feed_that_nothing_protects_is_told_everywhere(
    change: tuple[str, str], line: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert change[0] in SOUND
    show = make_show(tmp_path / "tide", rig=SOUND.replace(*change))
    said = verbs_say(show, capsys)
    assert f"{show / 'rig.toml'}: {line}" in said["check"]
    assert any(one.startswith(line) for one in said["bake"].splitlines())
    assert line in said["page"]
    assert main(["audit", str(show), "--no-red"]) == 1
    assert line in capsys.readouterr().err
    assert main(["bake", str(show), "--no-red"]) == 1
    assert main(["bake", str(show), "--strict"]) == 0  # which is about flashes


def test_a_feed_without_its_wire_is_not_said_to_carry_anything(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """What is not known of it is said, and nothing in green."""
    note = "The rig does not give the wire of rail@30: what it drops, whether its fuse protects it"
    for name, change in (("given", ""), ("bare", "wire = {awg = 16, metres = 1.5}\n")):
        show = make_show(tmp_path / name, rig=SOUND.replace(change, "") if change else SOUND)
        verbs_say(show, capsys)
        page = (show / "out" / "audit.html").read_text(encoding="utf-8")
        assert (page.count("carries it"), page.count("not given")) == ((3, 0) if name == "given" else (2, 1))
        notes = json.loads((show / "out" / "audit.json").read_text(encoding="utf-8"))["notes"]
        assert any(line.startswith(note) for line in notes) is (name == "bare")


def test_starved_chips_are_told_and_may_fail_the_show(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    # 60 pixels, white, fed at one end: 3.6 A over a mean metre of 0.123 ohm a rail drop 0.9 V; WS2812B datasheets have
    # 4.5 V as the least (composer/chips.toml says where).
    show = make_show(tmp_path / "tide", rig=SOUND.replace("at = 30", 'at = "start"'))
    assert main(["bake", str(show)]) == 0
    assert "\nstring rail sinks to " in capsys.readouterr().out
    assert main(["audit", str(show), "--no-red"]) == 1
    assert "string rail sinks to " in capsys.readouterr().err


def test_the_line_and_the_audit_say_which_limit_dimmed_the_show(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    # The rail's 60 pixels draw 3.66 A white, of the shed's 8 A: it is the fuse of 2 A that asks for less.
    show = make_show(tmp_path / "tide", rig=SOUND.replace("fuse = 4", "fuse = 2"))
    assert main(["bake", str(show)]) == 0
    said = capsys.readouterr().out.splitlines()
    shed, boat = (next(line for line in said if line.startswith(f"{name}: peak")) for name in ("shed", "boat"))
    assert shed.endswith(", for what feed rail@30 may carry (fuse or wire)")
    assert boat.endswith(", for the supply's budget")
    found = json.loads((show / "out" / "audit.json").read_text(encoding="utf-8"))["advice"]["supplies"]
    assert (found["shed"]["dimmed_by"], found["boat"]["dimmed_by"]) == (["rail@30"], ["budget"])
