"""What must not get lost on the studio's page: the keyboard's place, what could not be fetched, a file's line ends."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from page_hands import block, until

pytest_plugins = ("page_kit",)

PLACE = "document.activeElement"


def test_a_button_of_the_panel_keeps_the_focus_when_the_panel_is_made_anew(opened: Any) -> None:
    page = opened
    block(page, "white").click()
    later = page.locator('#panel button:text-is("later →")')
    later.focus()
    page.keyboard.press("Enter")
    until(page, "studio.store.state.undo !== null")
    page.keyboard.press("Enter")
    # Bar 4 and two beats.
    until(page, "studio.store.show.clips.some((clip) => clip.label === 'white' && clip.from === 14)")
    assert page.evaluate(f"{PLACE}.textContent") == "later →"


def test_the_field_of_a_key_that_is_left_out_gets_the_focus(opened: Any) -> None:
    page = opened
    block(page, "glow").click()
    page.locator('button[aria-label="leave opacity out"]').focus()
    page.keyboard.press("Enter")
    until(page, "studio.store.state.undo !== null")
    assert page.evaluate(f"{PLACE}.id") == "p-opacity"


def test_where_a_block_is_taken_out_the_focus_stays_with_the_score_or_the_tools(opened: Any) -> None:
    page = opened
    block(page, "white").click()  # the last clip: no other one takes its place
    page.keyboard.press("Delete")
    until(page, "studio.store.state.undo !== null && !studio.store.chosen.length")
    assert page.evaluate(f"{PLACE}.id") == "score"
    page.keyboard.press("Control+z")
    until(page, "studio.store.state.undo === null")
    block(page, "white").click()
    page.locator('#panel button:text-is("delete")').focus()
    page.keyboard.press("Enter")
    until(page, "studio.store.state.undo !== null && !studio.store.chosen.length")
    assert page.evaluate(f"{PLACE}.id") == "tab-body"


@pytest.mark.parametrize("press", ["#undo", "#notices button"])
def test_what_goes_while_it_has_the_focus_hands_it_to_the_score(opened: Any, press: str) -> None:
    page = opened
    block(page, "glow").click()
    page.keyboard.press("Shift+ArrowRight")
    until(page, "studio.store.state.undo !== null")
    page.evaluate("import('./page/dom.js').then(({ notice }) => notice('a line'))")
    page.locator("#notices button").wait_for()
    page.locator(press).focus()
    page.keyboard.press("Enter")
    until(page, "studio.store.state.undo === null || !document.querySelector('#notices button')")
    page.wait_for_timeout(100)
    assert page.evaluate(f"{PLACE}.id") == "score"


def test_marks_of_one_beat_are_pressed_each_and_leave_the_keyboard_on_the_sheet(opened: Any) -> None:
    page = opened
    page.locator(".mark.peak").first.click(timeout=60_000)  # the mast's volts fall lowest at that very beat
    marks = page.locator(".mark.peak, .mark.volts").all()
    assert len({(round(box["x"]), round(box["y"])) for box in (mark.bounding_box() for mark in marks)}) == len(marks)
    page.evaluate("studio.page.view.remark()")
    assert page.evaluate(f"{PLACE}.id") == "score"


# ---- while the server does not answer -----------------------------------------------------------------------------


def test_nothing_that_is_pressed_while_the_server_does_not_answer_is_an_error_of_the_page(
    opened: Any, complaints: list[str]
) -> None:
    page = opened
    block(page, "glow").click()
    page.context.set_offline(True)
    for key in ("5", "4", "3", "1"):
        page.keyboard.press(key)
    page.keyboard.press("4")
    page.click("#bake")
    page.locator('.notice:has-text("Not started")').wait_for()
    page.keyboard.press("3")
    page.click("#limiter-off")
    page.wait_for_timeout(200)
    page.context.set_offline(False)
    assert [line for line in complaints if "ERR_INTERNET_DISCONNECTED" not in line] == []
    complaints.clear()


@pytest.mark.parametrize("address", ["**/api/rig", "**/api/state"])
def test_what_changed_while_the_server_did_not_answer_is_fetched_afterwards(
    opened: Any, show_folder: Path, complaints: list[str], address: str
) -> None:
    page = opened
    block(page, "glow").wait_for()
    until(page, "studio.store.rig !== null && studio.events?.readyState === EventSource.OPEN")
    refused: list[str] = []
    page.route(address, lambda route: (refused.append(address), route.abort()))
    rig = show_folder / "rig.toml"
    rig.write_text(rig.read_text().replace("amps = 10.0", "amps = 8.0"))
    while not refused:
        page.wait_for_timeout(50)
    assert page.evaluate("studio.store.rig.rig_id") == "rig-1"
    page.unroute(address)
    until(page, "studio.store.state.rig_id === 'rig-2' && studio.store.rig.rig_id === 'rig-2'")
    complaints.clear()  # the browser's own word on the request that was broken off


def test_the_text_keeps_the_line_ends_of_its_file(opened: Any, show_folder: Path) -> None:
    page = opened
    block(page, "glow").wait_for()
    score = show_folder / "score.toml"
    score.write_bytes(score.read_bytes().replace(b"\n", b"\r\n"))
    until(page, "studio.store.state.undo !== null")
    page.click("#tab-text")
    until(page, "document.getElementById('score-text').value.length > 100")
    page.evaluate("document.getElementById('score-text').focus()")
    before = score.read_bytes()
    page.keyboard.press("Control+End")
    page.keyboard.type("# one more line")
    page.click("#save-text")
    until(page, "studio.store.state.undo === 'edit the text'")
    assert score.read_bytes() == before + b"# one more line"


# ---- what others write ------------------------------------------------------------------------------------------


def test_undo_takes_back_what_another_program_wrote_only_when_that_is_pressed(opened: Any, show_folder: Path) -> None:
    page = opened
    block(page, "glow").wait_for()
    score = show_folder / "score.toml"
    before = score.read_bytes()
    theirs = before + b"# of an editor\n"
    score.write_bytes(theirs)
    until(page, "studio.store.state.undo !== null")
    page.keyboard.press("Control+z")
    page.locator('.notice:has-text("Not undone")').wait_for()
    assert score.read_bytes() == theirs
    page.click('#notices button:text-is("take it back all the same")')
    until(page, "studio.store.state.undo === null")
    assert score.read_bytes() == before
    assert page.inner_text("#said") == "undo: a change from outside"


def test_a_change_on_disk_that_brings_faults_is_said_so_wherever_the_sheet_is_scrolled(
    opened: Any, show_folder: Path
) -> None:
    page = opened
    block(page, "glow").wait_for()
    until(page, "studio.events?.readyState === EventSource.OPEN")
    rig = show_folder / "rig.toml"
    sound = rig.read_bytes()
    rig.write_bytes(sound.replace(b'board = "pico"', b'board = "pica"'))
    told = page.locator(".notice.bad")
    told.wait_for()
    assert "Changed on disk: rig.toml, with faults: rig.toml: " in told.inner_text()
    assert "The page shows the last good show." in told.inner_text()
    block(page, "glow").click()
    page.keyboard.press("Shift+ArrowRight")
    refused = page.locator('.notice:has-text("Not done")')
    refused.wait_for()
    # "write it anyway" would be refused as well: other faults come first.
    assert refused.locator("button").all_inner_texts() == ["×"]
    rig.write_bytes(sound)
    page.locator('.notice:has-text("Changed on disk: rig.toml. The page shows it.")').wait_for()
