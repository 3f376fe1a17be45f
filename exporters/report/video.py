"""The show as a film with its sound: the rig's elevation at night, every pixel glowing where it hangs. Needs ffmpeg."""

from __future__ import annotations

import os
import shutil
import subprocess
import tempfile
from collections.abc import Iterable
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from .files import named

WIDTH, HEIGHT = 1280, 720
MARGIN = 60
NIGHT = np.array([0.0018, 0.0022, 0.0045])  # linear light of the sky behind the rig
LEAST_GLOW, MOST_GLOW = 1.3, 7.0  # dots: radius of a pixel's core
GAIN = 1.6


class FilmNeeds(RuntimeError):
    """ffmpeg is not there, or did not finish; the message says which."""


class Night:
    """Draws frames: linear light of N pixels onto a picture of WIDTH x HEIGHT.

    `places` (N, 2) metres, x right, y up. Every pixel is a core with a halo; light adds where halos overlap.
    """

    def __init__(self, places: ArrayLike) -> None:
        from scipy import sparse

        points = np.asarray(places, np.float64)
        low, high = points.min(axis=0), points.max(axis=0)
        size = np.maximum(high - low, 1e-6)
        scale = min((WIDTH - 2 * MARGIN) / size[0], (HEIGHT - 2 * MARGIN) / size[1], 400.0)
        middle = (low + high) / 2
        x = WIDTH / 2 + (points[:, 0] - middle[0]) * scale
        y = HEIGHT / 2 - (points[:, 1] - middle[1]) * scale
        step = np.median(np.hypot(np.diff(x), np.diff(y))) if len(points) > 1 else MOST_GLOW
        core = float(np.clip(0.45 * step, LEAST_GLOW, MOST_GLOW))
        reach = int(np.ceil(5 * core))
        window = np.arange(-reach, reach + 1)
        dy, dx = (a.ravel() for a in np.meshgrid(window, window, indexing="ij"))
        columns = np.rint(x).astype(int)[:, None] + dx
        rows = np.rint(y).astype(int)[:, None] + dy
        away2 = (columns - x[:, None]) ** 2 + (rows - y[:, None]) ** 2
        glow = np.exp(-away2 / (2 * core**2)) + 0.06 / (1 + away2 / (2 * core) ** 2) ** 1.5
        inside = (columns >= 0) & (columns < WIDTH) & (rows >= 0) & (rows < HEIGHT) & (glow > 0.004)
        dots = (rows * WIDTH + columns)[inside]
        lamps = np.broadcast_to(np.arange(len(points))[:, None], inside.shape)[inside]
        # Only dots that some pixel reaches are ever drawn; the rest of the night stays as it is.
        self._dots, compact = np.unique(dots, return_inverse=True)
        shape = (len(self._dots), len(points))
        self._spread: Any = sparse.csr_matrix((glow[inside].astype(np.float32), (compact, lamps)), shape=shape)
        self._codes = _srgb(np.linspace(0, 1, 4096))
        self._picture = np.broadcast_to(_srgb(NIGHT), (HEIGHT * WIDTH, 3)).copy()

    def frame(self, light: NDArray[np.float32]) -> bytes:
        """Linear light 0-1 float32 (N, 3) -> HEIGHT x WIDTH x 3 bytes of sRGB."""
        seen = NIGHT + GAIN * (self._spread @ light)
        self._picture[self._dots] = self._codes[(np.minimum(seen, 1) * 4095).astype(np.int32)]
        return self._picture.tobytes()


def _srgb(linear: NDArray[np.float64]) -> NDArray[np.uint8]:
    """IEC 61966-2-1: the transfer curve."""
    code = np.where(linear <= 0.0031308, 12.92 * linear, 1.055 * linear ** (1 / 2.4) - 0.055)
    out: NDArray[np.uint8] = np.rint(code * 255).astype(np.uint8)
    return out


def write_film_mp4(
    path: str | Path, places: ArrayLike, lights: Iterable[NDArray[np.float32]], rate: int, sound: str | Path | None
) -> None:
    """Write an mp4 (H.264, AAC) with the song's sound.

    Args:
        path: the file to write; whole, or not at all.
        places: (N, 2) metres.
        lights: linear light 0-1, float32 (N, 3), one for each frame of the film.
        rate: frames a second.
        sound: the song's file, from its first sample.

    Raises FilmNeeds without ffmpeg or where it fails.
    """
    tool = shutil.which("ffmpeg")
    if tool is None:
        raise FilmNeeds("an mp4 needs ffmpeg: install it, or name a .png")
    path = Path(path)
    draft = path.with_name(f".{path.name}.{os.getpid()}.part.mp4")
    # "file:", since ffmpeg takes what stands before a colon in a name for the way to get there.
    heard = ["-i", f"file:{sound}"] if sound is not None else []
    form = ["-f", "rawvideo", "-pix_fmt", "rgb24", "-s", f"{WIDTH}x{HEIGHT}", "-r", str(rate), "-i", "-"]
    coded = ["-map", "0:v", "-c:v", "libx264", "-preset", "veryfast", "-crf", "21", "-pix_fmt", "yuv420p"]
    heard_coded = ["-map", "1:a:0", "-c:a", "aac", "-b:a", "160k"] if sound is not None else []
    line = [tool, "-v", "error", "-nostdin", "-y", *form, *heard, *coded, *heard_coded, "-movflags", "+faststart"]
    night = Night(places)
    with tempfile.TemporaryFile() as words:
        try:
            process = subprocess.Popen([*line, f"file:{draft}"], stdin=subprocess.PIPE, stderr=words)
            assert process.stdin is not None
            try:
                for light in lights:
                    process.stdin.write(night.frame(light))
                process.stdin.close()
            except BrokenPipeError:
                pass  # ffmpeg gave up: it says why on its way out
            except BaseException:
                process.kill()
                raise
            finally:
                code = process.wait()
            if code:
                words.seek(0)
                said = words.read().decode(errors="replace").strip().splitlines()
                raise FilmNeeds(f"ffmpeg could not make the film: {said[-1] if said else f'exit code {code}'}")
            os.replace(draft, path)
        except OSError as error:
            raise named(error, path) from error
        finally:
            draft.unlink(missing_ok=True)
