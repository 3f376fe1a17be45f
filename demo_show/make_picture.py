"""Makes the README's pictures of the demo, in 256 colours: film.png out of the baked demo's own film, and studio.png, a
photograph of the studio at bar 17 (needs the package playwright and a Chromium).

python demo_show/make_picture.py [--studio]
"""

from __future__ import annotations

import io
import shutil
import subprocess
import sys
from pathlib import Path

from PIL import Image

HERE = Path(__file__).parent
WIDTH, HEIGHT = 1280, 760


def save(picture: Image.Image, name: str) -> None:
    """A small file beside this one."""
    few = picture.convert("RGB").quantize(256, method=Image.Quantize.MEDIANCUT, dither=Image.Dither.NONE)
    few.save(HERE / name, optimize=True)


def film() -> None:
    """The whole song, 1,400 pixels wide."""
    with Image.open(HERE / "out" / "film.png") as made:
        width = 1400
        save(made.resize((width, made.height * width // made.width), Image.Resampling.LANCZOS), "film.png")


def studio() -> None:
    """The studio's page, standing at the first chorus."""
    from playwright.sync_api import sync_playwright

    line = [sys.executable, "-m", "composer", "studio", str(HERE), "--no-open"]
    with subprocess.Popen(line, cwd=HERE.parent, stdout=subprocess.PIPE, text=True) as server:
        try:
            assert server.stdout is not None
            address = server.stdout.readline().split()[-1]
            with sync_playwright() as browsers:
                chromium = browsers.chromium.launch(executable_path=shutil.which("chromium"), args=["--no-sandbox"])
                page = chromium.new_page(viewport={"width": WIDTH, "height": HEIGHT}, color_scheme="dark")
                page.goto(f"{address}#17.1")
                page.wait_for_timeout(8000)
                save(Image.open(io.BytesIO(page.screenshot())), "studio.png")
                chromium.close()
        finally:
            server.terminate()


if __name__ == "__main__":
    film()
    if "--studio" in sys.argv:
        studio()
