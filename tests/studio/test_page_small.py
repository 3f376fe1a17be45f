"""The studio's page in small windows, and what it says and does not say twice."""

from __future__ import annotations

from typing import Any

import pytest
from page_hands import block, until

pytest_plugins = ("page_kit",)


@pytest.mark.parametrize("width", [1280, 900, 700, 400])
def test_everything_lies_within_the_window(opened: Any, width: int) -> None:
    page = opened
    block(page, "glow").wait_for()
    page.set_viewport_size({"width": width, "height": 800})
    for tab in "12345":
        page.locator("body").press(tab)
        beyond = page.evaluate(
            """() => [...document.querySelectorAll("#bar, #score, #side, #panel, [role=tab], [role=tabpanel], .field")]
                .map((element) => element.getBoundingClientRect())
                .filter((box) => box.left < -1 || box.right > innerWidth + 1).length"""
        )
        assert beyond == 0, tab
    assert page.evaluate("document.documentElement.scrollWidth") <= width


@pytest.mark.parametrize("width", [700, 400])
def test_a_narrow_window_still_shows_staves(opened: Any, width: int) -> None:
    page = opened
    page.set_viewport_size({"width": width, "height": 800})
    block(page, "glow").wait_for()
    until(page, f"studio.page.view.layout.width < {width}")
    score = page.locator("#score").bounding_box()
    assert score["width"] == pytest.approx(width, abs=2)
    assert score["height"] > 250
    block(page, "glow").click()  # nothing lies over it
    until(page, "studio.store.chosen.length === 1")


def test_what_was_refused_is_forgotten_once_something_was_done(opened: Any) -> None:
    page = opened
    block(page, "white").click()
    field = page.locator("#p-opacity")
    field.fill("7")
    field.press("Enter")
    page.locator(".notice.bad").wait_for()
    field.fill("0.7")
    field.press("Enter")
    until(page, "studio.store.state.undo !== null")
    until(page, "document.querySelectorAll('.notice.bad').length === 0")


def test_a_line_that_is_said_again_stands_once(opened: Any) -> None:
    page = opened
    block(page, "glow").wait_for()
    for _ in range(3):
        page.keyboard.press("Control+y")
    page.wait_for_timeout(500)
    assert page.locator("#notices p").all_inner_texts() == ["There is nothing to redo."]


def test_the_hint_of_a_field_lies_clear_of_its_ring(opened: Any) -> None:
    page = opened
    block(page, "white").click()
    gap = page.evaluate(
        """() => {
            const field = document.querySelector("#p-opacity").closest(".field");
            field.querySelector("input").focus();
            const range = document.createRange();
            range.selectNodeContents(field.querySelector("small"));
            const input = field.querySelector("input").getBoundingClientRect();
            return range.getBoundingClientRect().top - input.bottom;
        }"""
    )
    assert gap >= 4  # the ring: 2 px wide, 2 px off


def test_each_reading_of_the_beat_is_offered_once(opened: Any) -> None:
    page = opened
    block(page, "glow").wait_for()
    page.evaluate("void (studio.store.show.alternatives = ['double', 'half', 'off-beat', '3:2'])")
    page.locator("body").press("2")
    labels = page.locator("[role=tabpanel] button").all_inner_texts()
    assert [label for label in labels if label in ("double", "half", "off-beat", "3:2")] == ["3:2"]
    assert page.get_by_role("button", name="twice as many").get_attribute("aria-pressed") == "false"
    page.get_by_role("button", name="twice as many").click()
    until(page, "studio.store.show.fixes.level === 'double'")
    assert page.locator('[role=tabpanel] button[aria-pressed="true"]').all_inner_texts() == ["twice as many"]


@pytest.mark.parametrize(
    ("key", "shift", "written"),
    [("z", False, "Ctrl+z"), ("Z", False, "Ctrl+z"), ("Z", True, "Ctrl+Shift+Z"), ("z", True, "Ctrl+Shift+Z")],
)
def test_caps_lock_turns_no_undo_into_a_redo(opened: Any, key: str, shift: bool, written: str) -> None:
    page = opened
    pressed = page.evaluate(
        """async ([key, shiftKey]) => {
            const { pressed } = await import(new URL("page/commands.js", location.href.split("?")[0]).href);
            return pressed({ key, shiftKey, ctrlKey: true, altKey: false, metaKey: false });
        }""",
        [key, shift],
    )
    assert pressed == written


def test_a_long_name_of_a_section_at_the_end_of_a_line_stays_on_the_sheet(opened: Any) -> None:
    page = opened
    page.locator(".section-name").first.wait_for()
    page.evaluate(
        """() => {
            const { view } = studio.page;
            const system = view.layout.systems[0];
            system.sections.push({ name: "the last of all the refrains", from: 15.9, stands: 15.9 });
            view.fillBlocks(0);
        }"""
    )
    name = page.locator('.section-name:text("the last of all the refrains")').bounding_box()
    sheet = page.locator("#systems").bounding_box()
    assert name["width"] > 100 and name["height"] < 25
    assert name["x"] + name["width"] <= sheet["x"] + sheet["width"] + 1
