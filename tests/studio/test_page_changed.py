"""The studio's page as it is worked on: every change lands in score.toml, and nothing else does."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from page_hands import beat_px, block, drag, until

pytest_plugins = ("page_kit",)


def test_a_dragged_clip_is_moved_in_the_score_and_every_comment_stays(opened: Any, show_folder: Path) -> None:
    page = opened
    before = (show_folder / "score.toml").read_text()
    clip = block(page, "white")
    clip.wait_for()
    drag(page, clip, -4 * beat_px(page), at=0.4)
    until(page, "studio.store.state.undo !== null")
    after = (show_folder / "score.toml").read_text()
    # One line changed, in its block, and nothing else.
    changed = [(a, b) for a, b in zip(before.splitlines(), after.splitlines(), strict=True) if a != b]
    assert changed == [('bars = "4"', 'bars = "3"')]
    assert "# the mast glows all the way through" in after


def test_a_block_s_end_is_stretched_by_the_grid(opened: Any, show_folder: Path) -> None:
    page = opened
    clip = block(page, "white")
    clip.click()
    # The block ends with its line: its last pixels are its grip.
    box = clip.bounding_box()
    drag(page, clip, -2.1 * beat_px(page), at=1 - 3 / box["width"])
    until(page, "studio.store.state.undo !== null")
    block_text = (show_folder / "score.toml").read_text().split('name = "white"')[1].split("[[")[0]
    assert "2 beats" in block_text or 'to = "4.3"' in block_text


def test_undo_and_redo_are_true_to_the_byte(opened: Any, show_folder: Path) -> None:
    page = opened
    before = (show_folder / "score.toml").read_bytes()
    block(page, "white").click()
    for _ in range(2):
        page.keyboard.press("Shift+ArrowLeft")
    until(page, "studio.store.show.clips.find((clip) => clip.where === 'clip[2]').from === 10")
    moved = (show_folder / "score.toml").read_bytes()
    assert moved != before
    page.click("#undo")
    page.keyboard.press("Control+z")
    until(page, "studio.store.state.undo === null")
    assert (show_folder / "score.toml").read_bytes() == before
    page.click("#redo")
    until(page, "studio.store.state.redo !== null && studio.store.state.undo !== null")
    page.keyboard.press("Control+Shift+Z")
    until(page, "studio.store.state.redo === null")
    assert (show_folder / "score.toml").read_bytes() == moved


def test_clips_are_added_copied_changed_and_deleted_by_keyboard_alone(opened: Any, show_folder: Path) -> None:
    page = opened
    block(page, "glow").wait_for()
    page.keyboard.press("ArrowRight")  # what is nearest to the finger
    until(page, "studio.store.chosen.length === 1 && document.activeElement.classList.contains('block')")
    page.keyboard.press("Escape")
    until(page, "studio.store.chosen.length === 0")
    count = page.evaluate("studio.store.show.clips.length")
    page.keyboard.press("a")
    until(page, f"studio.store.show.clips.length === {count + 1}")
    until(page, "document.activeElement.classList.contains('block')")
    page.keyboard.press("y")
    until(page, f"studio.store.show.clips.length === {count + 2}")
    page.keyboard.press("Delete")
    until(page, f"studio.store.show.clips.length === {count + 1}")
    page.keyboard.press("ArrowLeft")
    until(page, "studio.store.chosen.length === 1")
    page.keyboard.press("Enter")
    until(page, "document.activeElement.closest('#panel') !== null")
    page.focus("#f-effect")
    page.keyboard.type("blend")
    until(page, "studio.store.state.undo.includes('blend')")
    assert 'effect = "blend"' in (show_folder / "score.toml").read_text()
    page.keyboard.press("Escape")
    until(page, "document.activeElement.closest('#sheet') !== null")


def test_every_parameter_of_an_effect_stands_in_the_panel_and_is_written(opened: Any, show_folder: Path) -> None:
    page = opened
    block(page, "glow").click()
    keys = page.evaluate("studio.store.effects.effects.find((one) => one.name === 'hold').params.map((one) => one.key)")
    for key in keys:
        assert page.locator(f"#p-{key}").count() == 1
    page.fill("#p-crossfade", "0.25")
    page.keyboard.press("Tab")
    until(page, "studio.store.show.clips.find((clip) => clip.where === 'clip[1]').values.crossfade === 0.25")
    assert "crossfade = 0.25" in (show_folder / "score.toml").read_text()
    page.locator('button[aria-label="leave crossfade out"]').click()
    until(page, "!('crossfade' in studio.store.show.clips.find((clip) => clip.where === 'clip[1]').values)")
    assert "crossfade" not in (show_folder / "score.toml").read_text()


def test_what_would_bring_a_fault_is_not_written_and_is_explained(opened: Any, show_folder: Path) -> None:
    page = opened
    before = (show_folder / "score.toml").read_bytes()
    block(page, "glow").click()
    page.fill("#p-crossfade", "7")
    page.keyboard.press("Tab")
    page.locator(".notice.bad").wait_for()
    assert "crossfade" in page.inner_text(".notice.bad")
    assert (show_folder / "score.toml").read_bytes() == before


def test_a_clip_is_dragged_to_another_stave_and_copied_with_alt(opened: Any, show_folder: Path) -> None:
    page = opened
    clip = block(page, "glow")
    clip.wait_for()
    offset = page.evaluate(
        """() => {
            const { staves } = studio.page.view.layout.systems[0];
            const middle = (zone) => {
                const stave = staves.find((one) => one.zone === zone);
                return stave.top + stave.height / 2;
            };
            return middle("rail") - middle("mast");
        }"""
    )
    drag(page, clip, 0, down_px=offset)
    until(page, "studio.store.show.clips.find((one) => one.where === 'clip[1]').zone === 'rail'")
    assert 'name = "glow"\nzone = "rail"' in (show_folder / "score.toml").read_text()
    page.keyboard.press("Control+z")
    until(page, "studio.store.show.clips.find((one) => one.where === 'clip[1]').zone === 'mast'")
    count = page.evaluate("studio.store.show.clips.length")
    page.keyboard.down("Alt")
    drag(page, block(page, "white"), -4 * beat_px(page))
    page.keyboard.up("Alt")
    until(page, f"studio.store.show.clips.length === {count + 1}")
    assert (show_folder / "score.toml").read_text().count('effect = "swell"') == 2


def test_a_phrase_is_placed_once_more_and_its_bracket_moved(opened: Any, show_folder: Path) -> None:
    page = opened
    page.locator('.placing.begins[aria-label*="wave"]').first.wait_for()
    page.evaluate("studio.page.player.goTo(8)")
    page.click("h1")
    page.locator('#panel button:text("place at 3.1")').click()
    until(page, "studio.store.show.placings.length === 3")
    bracket = page.locator('.placing.begins[aria-label*="placed at 3"]')
    drag(page, bracket, -1 * beat_px(page))
    until(page, "studio.store.show.placings.some((placing) => placing.from === 7)")
    assert "# the wave comes twice" in (show_folder / "score.toml").read_text()


def test_a_placing_is_varied_as_a_block_of_its_own(opened: Any, show_folder: Path) -> None:
    page = opened
    page.locator('.placing.begins[aria-label*="wave"]').first.click()
    page.click('#panel button:text("vary this one")')
    until(page, "studio.store.show.clips.some((clip) => clip.kind === 'placing' && clip.of === 'wave')")
    page.locator("#f-mirror").check()
    until(page, "studio.store.show.clips.find((clip) => clip.kind === 'placing').values.mirror === true")
    text = (show_folder / "score.toml").read_text()
    assert "mirror = true" in text
    assert 'wave = ["5"]' in text


def test_a_trigger_s_rule_and_its_clip_are_set(opened: Any, show_folder: Path) -> None:
    page = opened
    block(page, "trigger on beats").click()
    page.fill("#t-every", "2")
    page.keyboard.press("Tab")
    until(page, "studio.store.show.clips.find((clip) => clip.kind === 'trigger').values.every === 2")
    events = page.evaluate("studio.store.show.clips.find((clip) => clip.kind === 'trigger').events")
    page.select_option("#p-easing", "linear")
    until(page, "studio.store.show.clips.find((clip) => clip.kind === 'trigger').values.clip.easing === 'linear'")
    assert events == 4  # every second beat of two bars
    text = (show_folder / "score.toml").read_text()
    assert "every = 2" in text and 'easing = "linear"' in text


def test_clips_become_a_phrase_where_they_were(opened: Any) -> None:
    page = opened
    block(page, "glow").click()
    block(page, "white").click(modifiers=["Shift"])
    until(page, "studio.store.chosen.length === 2")
    page.keyboard.press("h")
    page.fill("#phrase-name", "tide")
    page.keyboard.press("Enter")
    until(page, "studio.store.show.phrases.tide?.length === 2")
    assert page.evaluate("studio.store.show.placings.find((placing) => placing.phrase === 'tide').from") == 0


def test_the_master_is_a_hairpin_whose_levels_are_set(opened: Any) -> None:
    page = opened
    block(page, "glow").wait_for()
    page.click('#panel button:text("a level of the master")')
    until(page, "studio.store.show.master.length === 1")
    page.fill("#f-level", "0.25")
    page.keyboard.press("Tab")
    until(page, "studio.store.show.master[0].level === 0.25")
    assert page.locator(".level").count() == 1


def test_a_dragged_range_becomes_a_clip_there(opened: Any) -> None:
    page = opened
    block(page, "glow").wait_for()
    page.keyboard.press("v")  # all staves
    until(page, "studio.store.allZones")
    place = page.evaluate(
        """() => {
            const { view } = studio.page;
            const system = view.layout.systems[0];
            const stave = system.staves.find((one) => one.zone === "left");
            const box = view.holder.getBoundingClientRect();
            return [box.left + 96, box.top + system.top + stave.top + stave.height / 2, system.perBeat, system.from];
        }"""
    )
    x, y, per_beat, start = place
    first = x + (4.2 - start) * per_beat
    page.mouse.move(first, y)
    page.mouse.down()
    page.mouse.move(first + 1.5 * per_beat, y, steps=4)
    page.mouse.up()
    assert page.evaluate("studio.store.range") == {"from": 4, "to": 6, "zone": "left"}
    page.click("#add")
    until(page, "studio.store.show.clips.some((clip) => clip.zone === 'left' && clip.from === 4 && clip.to === 6)")
