"""The house as DEVELOPERS.md draws it, held against the tree: rooms, doors, floors, and what `--help` may load."""

from __future__ import annotations

import ast
import re
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest
from shows import ROOT

from composer.arguments import parser

WINGS = ("composer", "exporters")
MODULE_OF = {"pillow": "PIL"}

Import = tuple[str, str, str, bool]  # file, room, what it imports (dotted), at the top of the file


def room_of(path: Path) -> str:
    """`composer/rig` for composer/rig.py, `composer/power` for any file in composer/power/."""
    wing, first, *rest = path.relative_to(ROOT).parts
    return f"{wing}/{first if rest else Path(first).stem}"


def imports(path: Path) -> Iterator[Import]:
    """Everything a file imports, wherever it does so; relative names made whole."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    at_top = set(map(id, tree.body))
    package = path.relative_to(ROOT).parts[:-1]
    file, room = str(path.relative_to(ROOT)), room_of(path)
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            names = [alias.name for alias in node.names]
        elif isinstance(node, ast.ImportFrom) and node.level == 0:
            names = [str(node.module)]
        elif isinstance(node, ast.ImportFrom):
            base = ".".join(package[: len(package) - node.level + 1])
            names = [f"{base}.{node.module or alias.name}" for alias in node.names]
        else:
            continue
        for name in names:
            yield file, room, name, id(node) in at_top


# What runs on a board is MicroPython: no room of the house, and never imported by one.
SOURCES = [path for wing in WINGS for path in sorted((ROOT / wing).rglob("*.py")) if "players" not in path.parts]
EVERY = [found for path in SOURCES for found in imports(path)]


def ours(name: str) -> bool:
    return name.split(".")[0] in WINGS


def outside(name: str) -> bool:
    return not ours(name) and name.split(".")[0] not in sys.stdlib_module_names


# ---- the table of rooms ------------------------------------------------------------------------------------------


def table() -> dict[str, tuple[str, str]]:
    """Room -> what it may import of ours, and from outside, as DEVELOPERS.md has them; from the top floor down."""
    rows = re.findall(
        r"^\| `((?:composer|exporters)/\S+?)(?:\.py|/)?` \|[^|]*\|([^|]*)\|([^|]*)\|$",
        (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8"),
        re.MULTILINE,
    )
    return {room: (own.strip(), other.strip()) for room, own, other in rows}


ROOMS = table()


def words(cell: str) -> list[str]:
    """'clock, rig and effects.table, late' -> ['clock', 'rig', 'effects.table']."""
    return [word for word in re.split(r",\s*|\s+and\s+|\s+", cell) if word and word != "late"]


def test_the_table_lists_every_room_and_no_other() -> None:
    there = {room_of(path) for path in SOURCES} - {
        f"{wing}/{name}" for wing in WINGS for name in ("__init__", "__main__")
    }
    listed = {room for room in ROOMS if not room.endswith(".md")} - {"exporters/players"}
    assert len(listed) > 15
    assert listed == there


def test_rooms_import_of_ours_only_what_the_table_says() -> None:
    strangers = []
    for file, room, name, _ in EVERY:
        wing, own = room.split("/")
        if not ours(name) or own.startswith("__") or name.split(".")[:2] == [wing, own]:
            continue
        allowed = {*words(ROOMS.get(room, ("", ""))[0]), *({"faults", "__version__"} if wing == "composer" else ())}
        inside = name.removeprefix(f"{wing}.")  # "rig", "effects.table", "exporters.spec"
        if not allowed & {"everything", "all", inside, inside.split(".")[0]}:
            strangers.append(f"{file} imports {name}")
    assert strangers == []


def test_the_command_line_imports_late() -> None:
    at_top = {name for _, room, name, top in EVERY if room == "composer/cli" and top and (ours(name) or outside(name))}
    assert at_top == {"composer.arguments", "composer.faults"}


def test_rooms_import_only_rooms_below_them() -> None:
    floors = [room for room in ROOMS if room.startswith("composer/")]
    upward = []
    for file, room, name, _ in EVERY:
        other = "/".join(name.split(".")[:2])
        if room in floors and other in floors and other != room and floors.index(other) < floors.index(room):
            upward.append(f"{file} imports {name}")
    assert upward == []


def test_rooms_import_from_outside_only_what_the_table_says() -> None:
    strangers: list[str] = []
    for file, room, name, _ in EVERY:
        allowed = {MODULE_OF.get(word, word) for word in words(ROOMS.get(room, ("", ""))[1])}
        if outside(name) and name.split(".")[0] not in allowed:
            strangers.append(f"{file} imports {name}")
    assert strangers == []


# ---- the doors ---------------------------------------------------------------------------------------------------


def test_exporters_know_no_music() -> None:
    assert [
        f"{file}: {name}" for file, room, name, _ in EVERY if room.startswith("exporters") and "composer" in name
    ] == []


def test_only_the_pipeline_sees_the_exporters() -> None:
    rooms = {room for _, room, name, _ in EVERY if room.startswith("composer") and name.startswith("exporters")}
    assert rooms == {"composer/pipeline"}


@pytest.mark.parametrize(
    ("room", "never"),
    [
        ("effects", {"rig", "score", "timeline", "render", "songmap", "pipeline", "random", "secrets", "time", "os"}),
        ("power", {"render", "effects", "timeline", "score", "songmap", "wire", "pipeline"}),
        ("flash", {"render", "effects", "timeline", "score", "songmap", "wire", "pipeline"}),
        ("rig", {"score", "songmap", "clock", "numpy"}),
        ("clock", {"numpy", "rig", "songmap"}),
    ],
)
def test_what_a_room_must_never_see(room: str, never: set[str]) -> None:
    seen = {name.removeprefix("composer.").split(".")[0] for _, r, name, _ in EVERY if r == f"composer/{room}"}
    assert seen and not seen & never


def test_processes_are_spawned_never_forked() -> None:
    text = "".join(path.read_text(encoding="utf-8") for path in SOURCES)
    assert 'get_context("spawn")' in text
    assert not re.search(r"os\.fork|get_context\(\s*\)|get_context\(\"fork|multiprocessing\.(Process|Pool)\b", text)


def test_no_chance_but_by_hash_in_what_makes_light() -> None:
    makers = [path for path in SOURCES if room_of(path) in ("composer/effects", "composer/render", "composer/kernels")]
    assert len(makers) > 8
    assert not [path.name for path in makers if "np.random" in path.read_text(encoding="utf-8")]


# ---- what a start costs ------------------------------------------------------------------------------------------

HEAVY = {
    "numpy", "numba", "scipy", "librosa", "mido", "soundfile", "soxr", "matplotlib", "PIL", "rich", "tomlkit",
    "starlette", "uvicorn", "serial", "mpremote", "sounddevice", "distributed",
}  # fmt: skip


def loaded_by(*arguments: str) -> set[str]:
    """Top-level modules that a run of the command has loaded by its end."""
    code = (
        "import sys; from composer.cli import main; code = main(sys.argv[1:]);"
        "print('\\nLOADED', *{name.partition('.')[0] for name in sys.modules}); sys.exit(code)"
    )
    line = [sys.executable, "-c", code, *arguments]
    done = subprocess.run(line, cwd=ROOT, capture_output=True, text=True, timeout=60, check=True)
    return set(done.stdout.rpartition("LOADED ")[2].split())


@pytest.mark.parametrize("line", [["--help"], ["bake", "--help"], ["--version"]], ids=" ".join)
def test_help_loads_nothing_heavy(line: list[str]) -> None:
    loaded = loaded_by(*line)
    assert "composer" in loaded and not loaded & HEAVY


def test_check_of_a_known_song_loads_no_ear_and_no_plots(baked: Path) -> None:
    loaded = loaded_by("check", str(baked))
    assert "composer" in loaded and not loaded & {"librosa", "soundfile", "soxr", "mido", "matplotlib", "rich"}


# ---- pages and files ---------------------------------------------------------------------------------------------


def verbs() -> list[str]:
    choices = next(action.choices for action in parser()._actions if action.dest == "verb")
    return list(choices or [])


@pytest.mark.parametrize("verb", verbs())
def test_every_verb_stands_in_the_readme(verb: str) -> None:
    assert f"`glowscore {verb}" in (ROOT / "README.md").read_text(encoding="utf-8")


def test_the_readme_names_no_verb_that_is_not_there() -> None:
    named = set(re.findall(r"glowscore ([a-z]+)\b", (ROOT / "README.md").read_text(encoding="utf-8")))
    assert named and named <= set(verbs())


def files() -> list[Path]:
    """Text of ours: what stands in the repository but for what the programs make."""
    tops = [
        path for path in sorted(ROOT.iterdir()) if not path.name.startswith(".") or path.name in (".ci", ".gitignore")
    ]
    every = [p for top in tops for p in ([top] if top.is_file() else top.rglob("*")) if p.is_file()]
    made = {"__pycache__", "out", "build", "dist", "venv", "glowscore.egg-info", ".ruff_cache", ".hypothesis"}
    kinds = {".py", ".md", ".toml", ".json", ".csv", ".c", ".h", ".js", ".html", ".css", ".txt", ""}
    return [
        p for p in every if p.suffix in kinds and not made & set(p.relative_to(ROOT).parts) and ".map." not in p.name
    ]


def test_what_is_to_be_opened_is_there() -> None:
    """DEVELOPERS.md, "To change X, open Y": every file is one, and every name stands in one of its row's files."""
    rows = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8").split("## To change X, open Y")[1].split("\n## ")[0]
    every, missing, seen = files(), [], 0
    people_s = {"rig.toml", "score.toml", "evening.toml", "STEM.fix.toml", "python -m composer.effects", "faults.Table"}
    for row in rows.splitlines():
        words = [word.rstrip("/") for word in re.findall(r"`([^`]+)`", row) if word not in people_s]
        paths = [p for word in words for p in every if f"/{p.relative_to(ROOT)}".endswith(f"/{word}")]
        text = "".join(p.read_text(encoding="utf-8") for p in paths)
        for word in words:
            seen += 1
            is_there = (ROOT / word).exists() or any(f"/{p}".endswith(f"/{word}") for p in paths)
            missing += [] if is_there or ("." not in word and word in text) else [word]
    assert seen > 40 and missing == []


def test_no_file_is_too_long_to_read() -> None:
    lengths = {
        str(p.relative_to(ROOT)): len(p.read_text(encoding="utf-8").splitlines()) for p in files() if p.suffix == ".py"
    }
    assert len(lengths) > 50
    assert {name: lines for name, lines in lengths.items() if lines > 600} == {}


def test_no_file_names_a_registry_or_a_place_on_somebodys_machine() -> None:
    bad = re.compile(
        "|".join(
            ["pypi" + r"\.(org|python)", "python" + "hosted", "--(extra-)?index" + "-url", r"/(home|root|work)/\w"]
        )
    )
    found = {}
    for path in files():
        hits = [match[0] for match in bad.finditer(path.read_text(encoding="utf-8"))]
        found.update({str(path.relative_to(ROOT)): hits} if hits else {})
    assert len(files()) > 100 and found == {}


def test_links_between_pages_lead_somewhere() -> None:
    dead, seen = [], 0
    for page in [path for path in files() if path.suffix == ".md"]:
        for target in re.findall(r"\]\(([^)#\s]+)[^)]*\)", page.read_text(encoding="utf-8")):
            seen += 1
            if "://" not in target and not (page.parent / target).exists():
                dead.append(f"{page.relative_to(ROOT)}: {target}")
    assert seen and dead == []


def test_links_to_a_heading_find_it() -> None:
    dead, seen = [], 0
    for page in [path for path in files() if path.suffix == ".md"]:
        for target, heading in re.findall(r"\]\(([^)#\s]*)#([^)\s]+)\)", page.read_text(encoding="utf-8")):
            seen += 1
            there = (page.parent / target if target else page).read_text(encoding="utf-8")
            names = re.findall(r"^#+ (.+)$", there, re.MULTILINE)
            if heading not in {re.sub(r"[^\w -]", "", name).lower().replace(" ", "-") for name in names}:
                dead.append(f"{page.relative_to(ROOT)}: {target}#{heading}")
    assert seen and dead == []
