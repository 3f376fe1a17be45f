"""Makes film.png, the picture of the demo in the README, from the baked demo's own film: smaller, in 256 colours.

python demo_show/make_picture.py
"""

from pathlib import Path

from PIL import Image

here = Path(__file__).parent
with Image.open(here / "out" / "film.png") as film:
    width = 1400
    small = film.convert("RGB").resize((width, film.height * width // film.width), Image.Resampling.LANCZOS)
    small.quantize(256, method=Image.Quantize.MEDIANCUT, dither=Image.Dither.NONE).save(
        here / "film.png", optimize=True
    )
