"""Plans for loading, carried out on a board made of a dictionary, broken off after any step."""

from __future__ import annotations

import contextlib
import hashlib
import tempfile
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, cast

import pytest
from fakeboard.kit import job, make_package, songs_of
from hypothesis import given
from hypothesis import strategies as st

from exporters.loading import Choices, Job, Plan, Refused, carried, doubtful, look, planned
from exporters.mpboard import BoardError, BoardFull, MpBoard, Unplugged
from exporters.package import room

BLOCK = 4096


@dataclass
class ModelBoard:
    """A board as littlefs promises it: a rename is whole or not at all; room is counted in blocks."""

    blocks: int
    there: dict[str, bytes] = field(default_factory=dict)
    steps_left: int = 1_000_000
    port: str = "/dev/model"
    machine: str = "Raspberry Pi Pico with RP2040"

    def _step(self) -> None:
        self.steps_left -= 1
        if self.steps_left < 0:
            raise Unplugged(f"{self.port}: the board went away")

    def files(self) -> dict[str, int]:
        return {name: len(data) for name, data in self.there.items()}

    def free_bytes(self) -> int:
        return self.blocks * BLOCK - room(self.files())

    def sha256(self, name: str) -> str:
        return hashlib.sha256(self.there[name]).hexdigest()

    def read(self, name: str, size: int) -> bytes:
        return self.there[name][:size]

    def write(self, name: str, data: bytes, tell: Callable[[int], None] = lambda done: None) -> None:
        for part in (data[: len(data) // 2], data):
            self.there[name] = part
            if self.free_bytes() < 0:
                raise BoardFull(f"{self.port}: full")
            self._step()

    def move(self, name: str, to: str) -> None:
        self._step()
        self.there[to] = self.there.pop(name)

    def remove(self, name: str) -> None:
        self._step()
        if name not in self.there:
            raise BoardError("no such file")
        del self.there[name]


def plan_for(board: ModelBoard, work: Job, choices: Choices) -> Plan:
    seen = look(cast(MpBoard, board), work)
    return planned(work, seen, {name: board.sha256(name) for name in doubtful(seen, work, choices)}, choices)


def carry(board: ModelBoard, plan: Plan) -> None:
    carried(cast(MpBoard, board), plan)


SIZES = st.integers(0, 5).map(lambda n: n * 7_000 + 10)
SONGS = st.dictionaries(st.sampled_from(["ebb.roll", "flood.roll", "tide.roll"]), SIZES, min_size=1)


def bytes_of(sizes: Mapping[str, int], letter: bytes) -> dict[str, bytes]:
    return {name: letter * size for name, size in sizes.items()}


@given(
    old=SONGS, new=SONGS, module=SIZES, blocks=st.integers(22, 70), steps=st.integers(0, 40),
    only=st.booleans(), replace=st.booleans(),
)  # fmt: skip
def test_a_plan_never_overfills_a_board_and_never_loses_what_was_there(
    old: dict[str, int], new: dict[str, int], module: int, blocks: int, steps: int, only: bool, replace: bool
) -> None:
    choices = Choices(only=only, replace=replace)
    with tempfile.TemporaryDirectory() as scratch:
        first = job(make_package(Path(scratch) / "old", bytes_of(old, b"o"), more={"glow/old.py": b"o" * module}))
        second = job(make_package(Path(scratch) / "new", bytes_of(new, b"n"), more={"glow/new.py": b"n" * module}))
        board = ModelBoard(blocks)
        with contextlib.suppress(Refused):  # then the board is new
            carry(board, plan_for(board, first, Choices()))
        before = dict(board.there)
        try:
            plan = plan_for(board, second, choices)
        except Refused as error:
            assert all("bytes of room are needed" in line for line in error.lines) and board.there == before
            return
        whole = {**before, **plan.content}
        board.steps_left = steps
        with contextlib.suppress(Unplugged):
            carry(board, plan)
        board.steps_left = 1_000_000
        lost_by_leave = {*plan.remove_first, *plan.remove_last}
        for name, data in before.items():
            assert name in lost_by_leave or board.there[name] in (data, whole[name])
        assert replace or not {name for name in plan.remove_first if not name.endswith(".new")}
        for name, data in board.there.items():
            assert name.endswith(".new") or name == "loading.json" or data in (before.get(name), whole[name])
        carry(board, plan_for(board, second, Choices(only=only, replace=True)))
        kept = {} if only else {name: data for name, data in before.items() if name.endswith(".roll")}
        assert set(board.there) == {*plan.content, *kept}
        assert plan_for(board, second, choices).batches == ()


def one(folder: Path, songs: Mapping[str, bytes], **more: Any) -> Job:
    return job(make_package(folder, songs, **more))


def test_with_room_for_both_every_new_file_is_there_before_the_first_old_one_goes(tmp_path: Path) -> None:
    board = ModelBoard(100)
    carry(board, plan_for(board, one(tmp_path / "a", {"tide.roll": b"a" * 50_000}), Choices()))
    plan = plan_for(board, one(tmp_path / "b", {"tide.roll": b"b" * 50_000, "ebb.roll": b"e"}), Choices())
    assert plan.batches == (("ebb.roll", "tide.roll", "settings.json", "manifest.json"),)
    assert plan.remove_first == plan.remove_last == ()


def test_with_little_room_one_file_follows_another_and_the_lists_come_last(tmp_path: Path) -> None:
    songs = {f"{name}.roll": name.encode() * 30_000 for name in "abc"}
    board = ModelBoard(52)
    carry(board, plan_for(board, one(tmp_path / "a", songs), Choices()))
    plan = plan_for(board, one(tmp_path / "b", {name: data[::-1] + b"!" for name, data in songs.items()}), Choices())
    assert plan.batches == (("a.roll",), ("b.roll",), ("c.roll",), ("manifest.json",))


def test_what_a_broken_load_left_is_cleared_away(tmp_path: Path) -> None:
    board = ModelBoard(100)
    work = one(tmp_path / "a", {"tide.roll": b"a" * 9_000})
    board.steps_left = 6
    with pytest.raises(Unplugged, match="everything that was on it is still there"):
        carry(board, plan_for(board, work, Choices()))
    assert [name for name in board.there if not name.endswith(".new")] == ["loading.json"]
    board.there["mine.new"] = b"a file of a person's own"
    board.steps_left = 1_000
    other = one(tmp_path / "b", {"ebb.roll": b"b" * 9_000})
    carry(board, plan_for(board, other, Choices()))
    assert {name for name in board.there if name.endswith(".new")} == {"mine.new"}
    assert songs_of(board.there) == ["ebb.roll"]


def test_what_a_load_that_broke_while_renaming_brought_is_ours(tmp_path: Path) -> None:
    board = ModelBoard(100)
    carry(board, plan_for(board, one(tmp_path / "a", {"tide.roll": b"a"}), Choices()))
    later = one(tmp_path / "b", {"tide.roll": b"b"}, more={"glow/roll.py": b"x = 2\n"})
    plan = plan_for(board, later, Choices())
    board.steps_left = 2 + 2 * len(plan.batches[0]) + 2  # all are copied, two are renamed
    with pytest.raises(Unplugged, match="old or new"):
        carry(board, plan)
    assert "loading.json" in board.there
    # Broken off a second time, with a third package on its way: what the second brought is still ours.
    board.steps_left = 5
    with pytest.raises(Unplugged, match="went away while it"):
        carry(board, plan_for(board, one(tmp_path / "d", {"tide.roll": b"d"}), Choices()))
    board.steps_left = 1_000
    last = one(tmp_path / "c", {"tide.roll": b"c"}, more={"glow/roll.py": b"x = 3\n"})
    carry(board, plan_for(board, last, Choices()))
    assert board.there["tide.roll"] == b"c" and board.there["glow/roll.py"] == b"x = 3\n"


def test_a_manifest_on_a_board_that_is_none_counts_as_none(tmp_path: Path) -> None:
    for content in (b"[1]", b"{", b'{"format": 9}', b"\xff\xfe", b"[" * 60_000):
        board = ModelBoard(100, {"manifest.json": content, "settings.json": content})
        with pytest.raises(Refused) as error:
            plan_for(board, one(tmp_path / str(len(content)), {"tide.roll": b"a"}), Choices())
        assert [line.split(" is there")[0] for line in error.value.lines] == [
            "/dev/model: settings.json", "/dev/model: manifest.json",
        ]  # fmt: skip
