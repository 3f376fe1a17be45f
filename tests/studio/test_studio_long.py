"""A long evening in the studio: whatever is done, it can be undone to the byte; and many ask while one changes."""

from __future__ import annotations

import threading
import tomllib
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from shows import make_show
from studio_kit import COMMENTED, ask

from composer.studio.session import Refused, Session

WHERES = st.sampled_from(
    ["clip[1]", "clip[2]", "clip[3]", "phrase.wave[1]", "phrase.wave[2]", "order.wave[1]", "trigger[1]", "master[1]"]
)
BEATS = st.sampled_from(["1", "-1", "4", "-4", "1/2", "-1/3", "8", "0", "-100"])
VALUES = st.one_of(
    st.none(), st.booleans(), st.integers(-3, 3), st.floats(0, 1), st.text(max_size=8), st.just([["1.1", 0.5]]),
    st.sampled_from(["rail", "ember", "2 beats", "3.1", "5-6", "hold"]),
)  # fmt: skip
KEYS = st.sampled_from(["zone", "effect", "opacity", "layer", "name", "bars", "at", "for", "clip.layer", "odd key"])
EDITS = st.one_of(
    st.builds(lambda w, b: {"op": "move", "where": w, "by": b}, WHERES, BEATS),
    st.builds(lambda w, a, b: {"op": "stretch", "where": w, "start_by": a, "end_by": b}, WHERES, BEATS, BEATS),
    st.builds(lambda w, k, v: {"op": "set", "where": w, "key": k, "value": v}, WHERES, KEYS, VALUES),
    st.builds(lambda w: {"op": "delete", "where": w}, WHERES),
    st.builds(lambda w, b: {"op": "copy", "where": w, "by": b}, WHERES, BEATS),
    st.builds(lambda b: {"op": "place", "phrase": "wave", "at": b}, BEATS),
    st.builds(lambda b: {"op": "add", "kind": "master", "values": {"level": 0.5}, "from": b}, BEATS),
    st.just({"op": "make_phrase", "name": "both", "wheres": ["clip[1]", "clip[2]"]}),
)
FIXES: list[dict[str, Any]] = [
    {"op": "nudge", "ms": 12}, {"op": "double"}, {"op": "halve"}, {"op": "shift", "beats": "1"},
    {"op": "barline", "at": 1.0}, {"op": "anchor", "bar": 1, "at": 0.2}, {"op": "label", "name": "x", "times": [1.5]},
    {"op": "clear"}, {"op": "beats_per_bar", "value": 3},
]  # fmt: skip


@settings(max_examples=10, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.lists(st.one_of(EDITS, st.sampled_from(FIXES)), min_size=1, max_size=10), st.booleans())
def test_whatever_is_done_can_be_undone_and_done_again_to_the_byte(
    tmp_path_factory: pytest.TempPathFactory, steps: list[dict[str, Any]], anyway: bool
) -> None:
    folder = make_show(tmp_path_factory.mktemp("long") / "tide", score=COMMENTED)
    session = Session(folder)
    files = [folder / "score.toml", folder / "tide.fix.toml"]

    def texts() -> list[bytes | None]:
        return [path.read_bytes() if path.exists() else None for path in files]

    seen = [texts()]
    for step in steps:
        before = texts()
        assert session.fixes is not None
        try:
            if step in FIXES:
                session.fix(session.fixes.id, step)
            else:
                session.edit(session.score.id, [step], anyway=anyway)
        except Refused as refused:
            assert refused.status in (400, 409, 422)
            assert texts() == before
            continue
        tomllib.loads(files[0].read_text())
        assert session.state()["version"] == session.version
        if texts() != before:
            seen.append(texts())
    for wanted in reversed(seen[:-1]):
        session.undo()
        assert texts() == wanted
    assert session.state()["good"] and session.state()["undo"] is None
    for wanted in seen[1:]:
        session.redo()
        assert texts() == wanted


def test_many_ask_while_one_changes(show_folder: Path, studio: Callable) -> None:
    with studio(show_folder) as running:
        stop = threading.Event()
        wrong: list[Any] = []

        def page(number: int) -> None:
            while not stop.is_set():
                show = ask(running.url + "api/state")["show"]
                for piece in show["pieces"][number::2]:
                    for path in (f"api/volts/{piece['id']}", "api/audit", f"api/volts/{piece['id']}x"):
                        answer = ask(running.url + path)
                        if answer.get("error", {}).get("kind", "missing") != "missing":
                            wrong.append(answer)

        pages = [threading.Thread(target=page, args=(number,)) for number in range(2)]
        for one in pages:
            one.start()
        base = ask(running.url + "api/state")["score_id"]
        for turn in range(8):
            op = {"op": "set", "where": "clip[1]", "key": "opacity", "value": 0.1 + 0.1 * turn}
            answer = ask(running.url + "api/edit", {"base": base, "ops": [op]})
            assert answer.get("ok"), answer
            base = answer["state"]["score_id"]
        stop.set()
        for one in pages:
            one.join(60)
        assert wrong == []
        assert "opacity = 0.8" in (show_folder / "score.toml").read_text()
