"""What a person's eyes and hands do on the studio's page, for its tests."""

from __future__ import annotations

import re
import time
from typing import Any

WAIT_MS = 20_000


def expected(message: Any) -> bool:
    """Refusals (409, 422) are answers, and so is a bar of a score that has been changed meanwhile (404)."""
    gone = "status of 404" in message.text and "/api/piece/" in message.location["url"]
    return gone or re.search("status of (409|422)", message.text) is not None


def open_page(context: Any, url: str, complaints: list[str]) -> Any:
    """A page of its own; it keeps what the browser complains of, and requests that go elsewhere."""
    page = context.new_page()
    page.set_default_timeout(WAIT_MS)
    page.on("pageerror", lambda error: complaints.append(str(error)))
    page.on(
        "console",
        lambda message: complaints.append(message.text) if message.type == "error" and not expected(message) else None,
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
    """Pixels of a beat."""
    return float(page.evaluate("studio.page.view.layout.systems[0].perBeat"))


def until(page: Any, expression: str, wait_s: float = WAIT_MS / 1000) -> None:
    """Wait for an expression of the page to hold. Playwright's own way evaluates text, which the page's policy bars."""
    end = time.monotonic() + wait_s
    while not page.evaluate(f"Boolean({expression})"):
        assert time.monotonic() < end, f"never came true: {expression}"
        page.wait_for_timeout(40)


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
