"""The studio's page as it is looked at and listened to: the sheet, the sound, the corrections, the audit, the bake."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import pytest
from page_hands import beat_px, block, canvas_pixel, drag, until

pytest_plugins = ("page_kit",)


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


def test_an_address_behind_the_pages_own_is_gone_to(opened: Any) -> None:
    page = opened
    block(page, "glow").wait_for()
    page.evaluate("location.hash = '#5.3'")
    until(page, "studio.page.player.beat() === 18")
    assert page.inner_text("#place") == "5.3"


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


# ---- audit, bake ------------------------------------------------------------------------------------------------


def test_the_audit_stands_at_the_finger_and_its_marks_lead_to_their_place(opened: Any) -> None:
    page = opened
    block(page, "glow").wait_for()
    page.click("#tab-audit")
    page.locator(".here td", has_text=re.compile(r"\d+\.\d\d A")).first.wait_for()
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
    page.locator(".job.done, .job.failed").first.wait_for(timeout=180_000)
    assert page.locator(".job.failed").count() == 0, page.inner_text("#panel")
    page.locator('th:text-is("quay")').wait_for()
    assert "fits" in page.inner_text("#panel")
    assert len(list((show_folder / "out").glob("*/*.roll"))) == 2


def test_lamps_without_a_board_stay_dark_and_it_is_said(opened: Any) -> None:
    page = opened
    block(page, "glow").wait_for()
    page.click("#tab-bake")
    page.click("#lamps")
    page.locator('.notice.bad:has-text("stay dark")').wait_for()
    assert page.get_attribute("#lamps", "aria-pressed") == "false"
