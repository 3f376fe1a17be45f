"""The studio's page in a real browser: Debian's Chromium, headless, driven by Playwright, against the real server.

Limits of time: 50 ms for a frame of scrolling is the project's own figure; the rules of accessibility are those of
WCAG 2.1 A and AA as axe-core reads them.
"""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import time
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager
from pathlib import Path
from typing import Any

import pytest
from shows import ROOT

sync_api = pytest.importorskip("playwright.sync_api", reason="playwright is not installed: the page is not tested")

CHROMIUM = next((path for path in map(shutil.which, ("chromium", "chromium-browser", "google-chrome")) if path), None)
WAIT_MS = 20_000

pytestmark = pytest.mark.skipif(CHROMIUM is None, reason="no Chromium: the page is not tested")

Open = Callable[..., Any]


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    with sync_api.sync_playwright() as playwright:
        chromium = playwright.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox"])
        yield chromium
        chromium.close()


@pytest.fixture
def complaints() -> list[str]:
    """What the browser complained of: errors of scripts, of the content security policy, refused requests."""
    return []


@pytest.fixture
def opened(
    browser: Any, studio: Callable[..., AbstractContextManager[Any]], show_folder: Path, complaints: list[str]
) -> Iterator[Any]:
    """The page of the small show, ready to be worked on."""
    with studio(show_folder) as running:
        context = browser.new_context(viewport={"width": 1280, "height": 720}, reduced_motion="reduce")
        page = open_page(context, running.url, complaints)
        yield page
        context.close()
    assert complaints == []


def open_page(context: Any, url: str, complaints: list[str]) -> Any:
    page = context.new_page()
    page.set_default_timeout(WAIT_MS)
    page.on("pageerror", lambda error: complaints.append(str(error)))
    # A refusal (409, 422) is an answer, which the browser calls an error all the same.
    page.on(
        "console",
        lambda message: (
            complaints.append(message.text)
            if message.type == "error" and not re.search("status of (409|422)", message.text)
            else None
        ),
    )
    page.on("request", lambda request: None if request.url.startswith(url) else complaints.append(request.url))
    page.goto(url)
    return page


def block(page: Any, name: str) -> Any:
    """The first piece of a clip on the sheet."""
    return page.locator(f'.block.begins[aria-label^="{name}"]').first


def drag(page: Any, locator: Any, by_px: float, at: float = 0.5, down_px: float = 0) -> None:
    """Press at a share of a block's width, go `by_px` to the right in steps, let go."""
    box = locator.bounding_box()
    x, y = box["x"] + box["width"] * at, box["y"] + box["height"] / 2
    page.mouse.move(x, y)
    page.mouse.down()
    for step in range(1, 6):
        page.mouse.move(x + by_px * step / 5, y + down_px * step / 5)
    page.mouse.up()


def beat_px(page: Any) -> float:
    return float(page.evaluate("studio.page.view.layout.systems[0].perBeat"))


def until(page: Any, expression: str, wait_s: float = WAIT_MS / 1000) -> None:
    """Wait for an expression of the page to hold. Playwright's own way evaluates text, which the page's policy bars."""
    end = time.monotonic() + wait_s
    while not page.evaluate(f"Boolean({expression})"):
        assert time.monotonic() < end, f"never came true: {expression}"
        page.wait_for_timeout(40)


def score_of(page: Any) -> str:
    return str(page.evaluate("fetch('api/score').then((answer) => answer.json()).then((got) => got.text)"))


# ---- a newcomer -------------------------------------------------------------------------------------------------


def test_the_song_stands_as_a_page_of_music_with_its_light(opened: Any) -> None:
    page = opened
    block(page, "glow").wait_for()
    assert page.inner_text("h1") == "Ebb & tide"
    assert page.title() == "Ebb & tide · Glowscore"
    # 16 seconds at 120 beats a minute are eight bars: at least two systems of four.
    assert page.locator(".system").count() >= 2
    assert page.locator('.placing.begins[aria-label*="wave"]').count() == 2
    until(page, "studio.store.pieces.every((piece) => piece.bar > 4 || studio.page.cache.picture(piece.id))")
    page.wait_for_timeout(300)
    # The mast glows ember: what stands in its block is that colour, the sheet beside it is paper.
    red, green, blue = canvas_pixel(page, block(page, "glow"), 0.7)
    assert red > 2 * blue and red > green > blue


def canvas_pixel(page: Any, locator: Any, share: float) -> list[int]:
    """The colour drawn at a share of a block's width, in its middle."""
    return list(
        locator.evaluate(
            """(block, share) => {
                const canvas = block.closest(".system").querySelector("canvas");
                const box = canvas.getBoundingClientRect();
                const own = block.getBoundingClientRect();
                const x = (own.left + own.width * share - box.left) * canvas.width / box.width;
                const y = (own.top + own.height / 2 - box.top) * canvas.height / box.height;
                return Array.from(canvas.getContext("2d").getImageData(x, y, 1, 1).data).slice(0, 3);
            }""",
            share,
        )
    )


def test_play_moves_the_clock_the_finger_and_the_light(opened: Any) -> None:
    page = opened
    block(page, "glow").wait_for()
    assert page.evaluate("studio.page.player.seconds()") == 0
    page.click("#play")
    until(page, "studio.page.player.seconds() > 1.2")
    assert page.get_attribute("#play", "aria-label") == "pause"
    first = page.evaluate("[studio.page.player.seconds(), document.getElementById('finger').style.transform]")
    page.wait_for_timeout(400)
    second = page.evaluate("[studio.page.player.seconds(), document.getElementById('finger').style.transform]")
    # The position is the audio clock's: it runs as the wall clock does, 0.4 s later here, give or take the waiting.
    assert 0.3 < second[0] - first[0] < 1.5
    assert first[1] != second[1]
    until(page, "studio.page.player.rgb?.some((code) => code > 100)")
    page.keyboard.press(" ")
    page.wait_for_selector('#play[aria-label="play"]')
    still = page.evaluate("studio.page.player.seconds()")
    page.wait_for_timeout(200)
    assert page.evaluate("studio.page.player.seconds()") == still
    assert page.inner_text("#place") != "1.1"


def test_what_the_page_draws_is_later_by_the_outputs_latency_and_the_trim(opened: Any) -> None:
    """With a clock of our own in the place of the browser's: 3 s played, 0.2 s of them still in the output."""
    page = opened
    heard = page.evaluate(
        """async () => {
            const { Sound } = await import("./page/sound.js");
            const sound = new Sound();
            sound.context = { currentTime: 13, outputLatency: 0.2 };
            sound.buffer = { duration: 100 };
            sound.source = {};
            sound.from = 5;
            sound.began = 10;
            const plain = sound.position();
            sound.trim = 0.05;
            const trimmed = sound.position();
            sound.rate = 0.5;
            const slow = sound.position();
            sound.loop = [5, 6];
            sound.rate = 1;
            sound.trim = 0;
            return [plain, trimmed, slow, sound.position()];
        }"""
    )
    # 5 + 2.8; 5 + 2.75; 5 + 2.75 / 2; and in a loop of one second 5 + (2.8 mod 1).
    assert heard == pytest.approx([7.8, 7.75, 6.375, 5.8])


# ---- changing ---------------------------------------------------------------------------------------------------


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


# ---- hearing ----------------------------------------------------------------------------------------------------


def test_tapped_labels_are_kept_in_the_fixes(opened: Any, show_folder: Path) -> None:
    page = opened
    block(page, "glow").wait_for()
    page.click("#tab-song")
    page.fill("#label-name", "splash")
    page.click("h1")  # out of the field: t taps again
    page.click("#play")
    until(page, "studio.page.player.seconds() > 0.6")
    page.keyboard.press("t")
    until(page, "studio.page.player.seconds() > 1.2")
    page.keyboard.press("t")
    page.click("#play")
    page.click("#keep-taps")
    until(page, "'splash' in studio.store.show.labels")
    times = [one["s"] for one in page.evaluate("studio.store.show.labels.splash")]
    assert len(times) == 2
    assert 0.5 < times[0] < times[1] < 5
    fixes = next(show_folder.glob("*.fix.toml")).read_text()
    assert "splash" in fixes


def test_a_section_is_renamed_and_undone(opened: Any, show_folder: Path) -> None:
    page = opened
    block(page, "glow").wait_for()
    page.click("#tab-song")
    page.fill("#section-0", "verse")
    page.keyboard.press("Tab")
    until(page, "studio.store.show.sections[0].name === 'verse'")
    page.locator('.section-name:text("verse")').first.wait_for()
    page.click("#undo")
    until(page, "!studio.store.show.sections.some((section) => section.name === 'verse')")
    assert list(show_folder.glob("*.fix.toml")) == []


def test_a_section_s_name_is_dragged_to_another_bar(opened: Any) -> None:
    page = opened
    name = page.locator('.section-name:text("B")').first
    name.wait_for()
    page.locator("#score").evaluate("(score) => (score.scrollTop = 320)")
    page.wait_for_timeout(200)
    drag(page, name, 4 * beat_px(page))
    until(page, "studio.store.show.sections.map((section) => section.from).join() === '0,20'")


def test_a_loop_comes_round_and_stands_between_signs_of_repetition(opened: Any) -> None:
    page = opened
    block(page, "glow").wait_for()
    page.keyboard.press("l")  # the bar at the finger: 0 to 2 s
    assert page.locator(".repeat").count() == 2
    page.evaluate("studio.page.player.goTo(3.5)")
    page.click("#play")
    until(page, "studio.page.player.seconds() > 1.8")
    until(page, "studio.page.player.seconds() < 1")
    assert page.evaluate("studio.page.sound.playing")
    page.click("#play")
    page.keyboard.press("l")
    assert page.locator(".repeat").count() == 0


def test_clicks_fall_on_the_beats_and_come_round_with_the_loop(opened: Any) -> None:
    page = opened
    falls = page.evaluate(
        """async () => {
            const { Sound } = await import("./page/sound.js");
            const sound = new Sound();
            sound.beats = [0, 0.5, 1, 1.5, 2, 2.5].map((second, number) => [second, number % 4 === 0]);
            const plain = [...sound.beatsBetween(0.4, 2.1)];
            sound.loop = [1, 2];
            // Played from 0.8: to the loop's end at 2, and round again as seconds 2 to 3 and 3 to 4.
            return [plain, [...sound.beatsBetween(0.8, 4)]];
        }"""
    )
    assert falls[0] == [[0.5, False], [1, False], [1.5, False], [2, True]]
    assert falls[1] == [[1, False], [1.5, False], [2, False], [2.5, False], [3, False], [3.5, False]]


# ---- beside others ----------------------------------------------------------------------------------------------


def test_a_change_on_disk_shows_on_the_page(opened: Any, show_folder: Path) -> None:
    page = opened
    block(page, "glow").wait_for()
    path = show_folder / "score.toml"
    path.write_text(path.read_text().replace('name = "white"', 'name = "surf"'))
    block(page, "surf").wait_for()
    assert "changed on disk" in page.inner_text("#notices")


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


# ---- audit, bake ------------------------------------------------------------------------------------------------


def test_the_audit_stands_at_the_finger_and_its_marks_lead_to_their_place(opened: Any) -> None:
    page = opened
    block(page, "glow").wait_for()
    page.click("#tab-audit")
    page.locator(".here td").first.wait_for()
    assert re.search(r"\d+\.\d\d A", page.inner_text(".here"))
    until(page, "studio.store.audit?.ready === true")
    page.locator(".marks button").first.click()
    until(page, "Math.abs(studio.page.player.beat() - studio.store.audit.marks[0].from) < 0.01")


def test_the_show_without_its_limiter_draws_more(opened: Any) -> None:
    page = opened
    block(page, "glow").wait_for()
    page.evaluate("studio.page.player.goTo(14)")  # bar 4: everything is white, more than the boat's budget
    page.click("#tab-audit")
    amps = """(() => {
        const us = studio.page.player.seconds() * 1e6;
        const piece = studio.store.pieces.find((one) => one.start_us <= us && us < one.end_us);
        const had = studio.page.cache.packet(piece.id);
        return had ? had.packet.data.amps.reduce((sum, amps) => sum + amps) : null;
    })()"""
    until(page, f"{amps} !== null")
    limited = page.evaluate(amps)
    page.click("#limiter-off")
    until(page, f"studio.store.limiter === 'off' && {amps} !== null")
    assert page.evaluate(amps) > limited
    page.click("#limiter-on")
    until(page, "studio.store.limiter === null")


def test_baking_shows_its_progress_and_its_sizes(opened: Any, show_folder: Path) -> None:
    page = opened
    block(page, "glow").wait_for()
    page.click("#tab-bake")
    page.click("#bake")
    page.locator(".job.done").wait_for(timeout=60_000)
    page.locator('th:text-is("quay")').wait_for()
    assert "fits" in page.inner_text("#panel")
    assert len(list((show_folder / "out").glob("*/*.roll"))) == 2


# ---- for everybody ----------------------------------------------------------------------------------------------


@pytest.fixture(scope="session")
def axe(tmp_path_factory: pytest.TempPathFactory) -> str:
    """The source of axe-core, which reads a page as assistive software does."""
    for folder in (os.environ.get("GLOWSCORE_NODE_MODULES"), ROOT / ".node" / "node_modules"):
        if folder and (found := Path(folder) / "axe-core" / "axe.min.js").exists():
            return found.read_text()
    npm = shutil.which("npm")
    if npm is None:
        pytest.skip("neither axe-core nor npm is here")
    into = tmp_path_factory.mktemp("npm")
    command = [npm, "install", "--prefix", str(into), "--silent", "--no-fund", "--no-audit", "axe-core"]
    if subprocess.run(command, capture_output=True, timeout=300).returncode:
        pytest.skip("axe-core cannot be fetched")
    return (into / "node_modules" / "axe-core" / "axe.min.js").read_text()


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_no_serious_fault_of_accessibility_on_any_tab(
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
                if rule["impact"] in ("serious", "critical")
                for node in rule["nodes"]
            ]
        assert found == []
        context.close()


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
        context = browser.new_context(viewport={"width": 1280, "height": 720})
        page = open_page(context, running.url, complaints)
        block(page, "glow").wait_for()
        assert page.evaluate("studio.store.show.clips.length") > 500
        until(page, "studio.store.pieces.every((piece) => studio.page.cache.picture(piece.id))")
        page.wait_for_timeout(500)
        busy = page.evaluate(
            """() => new Promise((resolve) => {
                // How long the page's own work takes in each frame, not how seldom a loaded machine shows one.
                const score = document.getElementById("score");
                const spent = [];
                let frames = 0;
                const step = () => {
                    const began = performance.now();
                    score.scrollTop += 60;
                    setTimeout(() => {
                        spent.push(performance.now() - began);
                        if (++frames < 60) requestAnimationFrame(step);
                        else resolve(spent.sort((a, b) => a - b));
                    }, 0);
                };
                requestAnimationFrame(step);
            })"""
        )
        assert busy[-1] < 50, busy[-5:]
        context.close()
