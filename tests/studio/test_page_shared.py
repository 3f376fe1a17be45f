"""The studio's page beside others: changes from elsewhere, faults, other eyes and hands, a long score.

The rules of accessibility are those of WCAG 2.1 A and AA, as axe-core reads them; 50 ms for a frame of scrolling is the
project's own figure.
"""

from __future__ import annotations

from collections.abc import Callable
from contextlib import AbstractContextManager
from pathlib import Path
from typing import Any

import pytest
from page_hands import beat_px, block, drag, open_page, until

pytest_plugins = ("page_kit",)


def test_a_change_on_disk_shows_on_the_page(opened: Any, show_folder: Path) -> None:
    page = opened
    block(page, "glow").wait_for()
    until(page, "studio.events?.readyState === EventSource.OPEN")
    path = show_folder / "score.toml"
    path.write_text(path.read_text().replace('name = "white"', 'name = "surf"'))
    block(page, "surf").wait_for()
    assert "Changed on disk: score.toml" in page.inner_text("#notices")


def test_a_rig_that_is_gone_is_named_and_an_edit_says_that_it_comes_first(
    opened: Any, show_folder: Path, complaints: list[str]
) -> None:
    page = opened
    block(page, "glow").wait_for()
    rig = next(show_folder.glob("rig.toml"))
    sound = rig.read_bytes()
    rig.unlink()
    page.locator("#faults li").wait_for()
    assert page.locator("#faults li").all_inner_texts() == ["rig.toml: no such file"]
    drag(page, block(page, "glow"), beat_px(page))
    told = page.locator('.notice.bad:has-text("Not done")')
    told.wait_for()
    assert "the files have faults, which come first.\nrig.toml: no such file" in told.inner_text()
    rig.write_bytes(sound)
    until(page, "document.getElementById('faults').children.length === 0")


def test_a_corrupt_score_is_explained_the_last_good_one_stays_and_text_mends_it(
    opened: Any, show_folder: Path, complaints: list[str]
) -> None:
    page = opened
    block(page, "glow").wait_for()
    path = show_folder / "score.toml"
    sound = path.read_text()
    path.write_text(sound.replace('zone = "mast"', 'zone = "mats"'))
    page.locator("#faults li").wait_for()
    assert "mats" in page.inner_text("#faults")
    assert "last good one" in page.inner_text("#faults")
    assert block(page, "glow").is_visible()
    page.locator(".block.faulty").first.wait_for()
    path.write_text("[[clip\n")
    until(page, "!document.getElementById('faults').textContent.includes('mats')")
    page.click("#tab-text")
    until(page, "document.getElementById('score-text').value === '[[clip\\n'")
    page.fill("#score-text", sound)
    page.click("#save-text")
    until(page, "document.getElementById('faults').children.length === 0")
    assert path.read_text() == sound


def test_an_edit_that_meets_a_change_on_disk_is_refused_and_can_be_done_again(opened: Any, show_folder: Path) -> None:
    page = opened
    block(page, "white").click()
    path = show_folder / "score.toml"
    theirs = path.read_text() + "\n# written meanwhile\n"
    # Both at once, from the page's side: the server has not looked at the file since.
    page.evaluate("(studio.store.state.score_id = '0000000000000000')")
    path.write_text(theirs)
    page.keyboard.press("Shift+ArrowLeft")
    again = page.locator('.notice.bad button:text("do it again")')
    again.wait_for()
    assert path.read_text() == theirs
    again.click()
    until(page, "studio.store.show.clips.find((clip) => clip.where === 'clip[2]').from === 11")
    assert "# written meanwhile" in path.read_text()


def test_a_show_that_was_never_sound_opens_and_is_mended_on_the_page(
    browser: Any, studio: Callable[..., AbstractContextManager[Any]], show_folder: Path, complaints: list[str]
) -> None:
    path = show_folder / "score.toml"
    sound = path.read_text()
    path.write_text(sound.replace('effect = "swell"', 'effect = "swel"'))
    with studio(show_folder) as running:
        context = browser.new_context()
        page = open_page(context, running.url, complaints)
        page.locator("#faults li").wait_for()
        assert "swell" in page.inner_text("#faults")  # did you mean
        page.click("#tab-text")
        until(page, "document.getElementById('score-text').value.includes('swel')")
        page.fill("#score-text", sound)
        page.click("#save-text")
        block(page, "glow").wait_for()
        assert path.read_text() == sound
        context.close()
    assert complaints == []


def test_typed_text_outlives_a_change_on_disk_and_is_kept_when_it_is_refused(opened: Any, show_folder: Path) -> None:
    page = opened
    block(page, "glow").wait_for()
    until(page, "studio.events?.readyState === EventSource.OPEN")
    page.click("#tab-text")
    until(page, "document.getElementById('score-text').value.includes('glow')")
    path = show_folder / "score.toml"
    before = path.read_text()
    mine = before.replace('name = "glow"', 'name = "mine"')
    page.fill("#score-text", mine)
    theirs = before.replace('name = "white"', 'name = "theirs"')
    path.write_text(theirs)
    block(page, "theirs").wait_for()
    page.click("h1")
    assert page.input_value("#score-text") == mine
    page.click("#save-text")
    page.locator('.notice.bad:has-text("kept in")').wait_for()
    assert path.read_text() == theirs
    assert [kept.read_text() for kept in show_folder.glob("score.kept*")] == [mine]
    assert page.input_value("#score-text") == mine


def test_two_pages_see_each_others_changes(opened: Any, browser: Any, show_folder: Path, complaints: list[str]) -> None:
    page = opened
    block(page, "white").wait_for()
    other_context = browser.new_context()
    other = open_page(other_context, page.url, complaints)
    block(other, "white").click()
    other.keyboard.press("Shift+ArrowRight")
    until(page, "studio.store.show.clips.find((clip) => clip.where === 'clip[2]').from === 13")
    assert "Another page" in page.inner_text("#notices")
    other_context.close()


# ---- for everybody ----------------------------------------------------------------------------------------------


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_no_fault_of_accessibility_on_any_tab(
    browser: Any,
    studio: Callable[..., AbstractContextManager[Any]],
    show_folder: Path,
    complaints: list[str],
    axe: str,
    scheme: str,
) -> None:
    with studio(show_folder) as running:
        context = browser.new_context(color_scheme=scheme, bypass_csp=True)
        page = open_page(context, running.url, complaints)
        block(page, "glow").click()
        page.evaluate(axe)
        found = []
        for step in ("#tab-clip", "#tab-song", "#tab-audit", "#tab-bake", "#tab-text", "#keys"):
            page.click(step)
            page.wait_for_timeout(200)
            result = page.evaluate("axe.run({ runOnly: ['wcag2a', 'wcag2aa', 'wcag21a', 'wcag21aa'] })")
            found += [
                (step, rule["id"], node["target"], node["failureSummary"])
                for rule in result["violations"]
                for node in rule["nodes"]
            ]
        assert found == []
        context.close()


def test_the_page_says_when_its_server_is_gone(
    browser: Any, studio: Callable[..., AbstractContextManager[Any]], show_folder: Path
) -> None:
    with studio(show_folder) as running:
        context = browser.new_context()
        page = open_page(context, running.url, [])
        block(page, "glow").wait_for()
        until(page, "studio.events?.readyState === EventSource.OPEN")
        assert page.inner_text("#saved") == ""
    until(page, "document.getElementById('saved').textContent.includes('stopped')")
    page.set_viewport_size({"width": 390, "height": 800})
    said = page.locator("#saved")
    assert said.evaluate("(told) => told.scrollWidth <= told.clientWidth")  # all of it is there to be read
    assert said.bounding_box()["height"] < 60
    before = (show_folder / "score.toml").read_bytes()
    block(page, "white").click()
    page.keyboard.press("Shift+ArrowLeft")
    page.locator('.notice.bad:has-text("does not answer")').wait_for()
    assert (show_folder / "score.toml").read_bytes() == before
    context.close()


def test_a_tap_of_a_finger_chooses_a_clip(
    browser: Any, studio: Callable[..., AbstractContextManager[Any]], show_folder: Path, complaints: list[str]
) -> None:
    with studio(show_folder) as running:
        context = browser.new_context(viewport={"width": 1180, "height": 820}, has_touch=True)
        page = open_page(context, running.url, complaints)
        block(page, "white").tap()
        until(page, "studio.store.chosen[0] === 'clip[2]|'")
        page.locator('#panel button:text("later →")').tap()
        until(page, "studio.store.show.clips.find((clip) => clip.where === 'clip[2]').from === 13")
        context.close()
    assert complaints == []


def test_a_phone_held_sideways_shows_score_and_rig_and_edits_nothing(
    browser: Any, studio: Callable[..., AbstractContextManager[Any]], show_folder: Path, complaints: list[str]
) -> None:
    with studio(show_folder) as running:
        context = browser.new_context(viewport={"width": 844, "height": 390}, has_touch=True)
        page = open_page(context, running.url, complaints)
        clip = block(page, "glow")
        clip.wait_for()
        assert page.locator("#panel").is_hidden()
        assert page.locator("#rig").is_visible()
        assert page.evaluate("document.documentElement.scrollWidth <= innerWidth")
        before = (show_folder / "score.toml").read_bytes()
        drag(page, clip, 100)
        page.wait_for_timeout(300)
        assert (show_folder / "score.toml").read_bytes() == before
        context.close()
    assert complaints == []


SCROLL = """() => new Promise((resolve) => {
    // How long the page's own work takes in each frame, not how seldom a loaded machine shows one.
    const score = document.getElementById("score");
    const spent = [];
    const step = () => {
        const began = performance.now();
        score.scrollTop += 60;
        setTimeout(() => {
            if (spent.push(performance.now() - began) < 60) requestAnimationFrame(step);
            else resolve(Math.max(...spent));
        }, 0);
    };
    requestAnimationFrame(step);
})"""


def test_five_hundred_clips_scroll_without_a_frame_over_50_ms(
    browser: Any, studio: Callable[..., AbstractContextManager[Any]], show_folder: Path, complaints: list[str]
) -> None:
    zones = ("rail", "mast", "boom", "left")
    clips = [
        f'[[clip]]\nname = "c{number}"\nzone = "{zones[number % 4]}"\neffect = "hold"\n'
        f'at = "{number // 4 % 8 + 1}.{number // 32 % 4 + 1}"\nfor = "1 beat"\nlayer = {number // 128 + 5}\n'
        for number in range(500)
    ]
    path = show_folder / "score.toml"
    path.write_text(path.read_text() + "\n" + "\n".join(clips))
    with studio(show_folder) as running:
        # A machine with much else to do stops a page in mid-work: only what is slow on each of three pages is slow.
        worst_ms: list[float] = []
        while len(worst_ms) < 3 and min(worst_ms, default=50) >= 50:
            context = browser.new_context(viewport={"width": 1280, "height": 720})
            page = open_page(context, running.url, complaints)
            block(page, "glow").wait_for()
            assert page.evaluate("studio.store.show.clips.length") > 500
            until(page, "studio.store.pieces.every((piece) => studio.page.cache.picture(piece.id))")
            page.wait_for_timeout(500)
            worst_ms.append(page.evaluate(SCROLL))
            context.close()
        assert min(worst_ms) < 50, worst_ms
