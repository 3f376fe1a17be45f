"""Writing whole files or none; and a place for the caches of numba and matplotlib."""

from __future__ import annotations

import os
import secrets
import stat
import tempfile
from collections.abc import Callable, Iterable, Iterator, Mapping, MutableMapping
from contextlib import contextmanager
from pathlib import Path

from .faults import Fault, Faults


def score_path(show: Path) -> Path:
    """The score of a show, which is named by it or by its folder."""
    return show if show.suffix == ".toml" else show / "score.toml"


@contextmanager
def whole_file(path: Path) -> Iterator[Path]:
    """A temporary neighbour to write to, of the same ending; renamed to `path` at the end, removed when anything fails.

    A reader meets the old file or the new one, never half of one. Raises `Faults` where the folder cannot be written.
    """
    if path.is_dir():  # else told only at the end, of the temporary name
        raise Faults.one(path, "", "cannot be written: is a folder")
    draft = path.with_name(f".{path.stem}.{secrets.token_hex(4)}.part{path.suffix}")
    try:
        yield draft
        os.replace(draft, path)
    except OSError as error:
        raise Faults.one(path, "", f"cannot be written: {error.strerror or error}") from None
    finally:
        draft.unlink(missing_ok=True)


def write_text(path: Path, text: str) -> None:
    """Write a text file whole, UTF-8, line ends as they are. Raises `Faults`."""
    with whole_file(path) as draft:
        draft.write_text(text, encoding="utf-8", newline="")


def spare(written: Mapping[str, Path | None], read: Iterable[Path | None]) -> None:
    """Nothing that is read, or that another option writes, is written over. Raises `Faults`.

    `written`: the option that names each file, and the file.
    """
    taken = {_identity(path): "would write over what is read here" for path in read if path is not None}
    faults = []
    for option, path in written.items():
        if path is None:
            continue
        why = taken.setdefault(_identity(path), f"names the same file as {option}")
        if why != f"names the same file as {option}":
            faults.append(Fault(str(path), option, f"{why}: name another file"))
    if faults:
        raise Faults(faults)


def _identity(path: Path) -> object:
    try:
        found = path.stat()
        return found.st_dev, found.st_ino
    except OSError:
        return path.resolve()


def find_caches(
    environ: MutableMapping[str, str] = os.environ,
    writable: Callable[[Path], bool] = lambda folder: os.access(folder, os.W_OK),
) -> None:
    """See to it that numba can keep what it compiled, and matplotlib what it found out about fonts.

    numba takes the code's folder or the user's cache, matplotlib the user's settings; where those cannot be written (a
    service without a home, code that belongs to another user) the one gives up with a traceback and the other warns.
    Then NUMBA_CACHE_DIR and MPLCONFIGDIR become a folder of this user's own in the temp folder: whoever could write
    there could have us run code. Call it before either is imported.
    """
    house = Path(__file__).parent
    code = [folder for wing in (house, house.with_name("exporters")) for folder in (wing, *wing.glob("*/"))]
    code = [folder / "__pycache__" for folder in code if any(folder.glob("*.py"))]
    home = Path(os.path.expanduser("~"))
    cache = Path(environ.get("XDG_CACHE_HOME") or home / ".cache")
    settings = Path(environ.get("XDG_CONFIG_HOME") or home / ".config")

    def serve(*folders: Path) -> bool:
        return all(writable(_there(folder)) for folder in folders)

    wanted = []
    if not (serve(*code) or serve(cache / "numba")):
        wanted.append("NUMBA_CACHE_DIR")
    if not serve(settings / "matplotlib", cache / "matplotlib"):
        wanted.append("MPLCONFIGDIR")
    wanted = [name for name in wanted if not environ.get(name)]
    if wanted:
        environ.update(dict.fromkeys(wanted, _own_temp_folder()))


def _own_temp_folder() -> str:
    who = str(os.getuid()) if hasattr(os, "getuid") else "user"
    folder = Path(tempfile.gettempdir()) / f"glowscore-cache-{who}"
    try:
        folder.mkdir(mode=0o700, exist_ok=True)
        found = folder.lstat()
        private = stat.S_ISDIR(found.st_mode) and not (hasattr(os, "getuid") and _others_may(found))
    except OSError:
        private = False
    return str(folder) if private else tempfile.mkdtemp(prefix="glowscore-cache-")


def _others_may(found: os.stat_result) -> bool:
    return found.st_uid != os.getuid() or bool(found.st_mode & 0o022)


def _there(path: Path) -> Path:
    """The nearest folder that is there: what may be made in it may be written."""
    return next((folder for folder in (path, *path.parents) if folder.exists()), path)
