"""What is kept of groups that look alike comes back as it was, however little of it fits the memory."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from shows import SCORE, make_show

from composer import pipeline
from composer.pipeline import repeats as room
from composer.pipeline.repeats import Repeats
from composer.wire import Wiring

SIZES = {key: (key + 1, 7) for key in range(5)}  # frames of a key, bytes of a frame


@given(keys=st.lists(st.sampled_from(sorted(SIZES)), max_size=30), memory_bytes=st.sampled_from([0, 30, 1000]))
def test_what_is_kept_comes_back(keys: list[int], memory_bytes: int) -> None:
    frames = {key: np.random.default_rng(key).integers(0, 256, shape, np.uint8) for key, shape in SIZES.items()}
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(room, "MEMORY_BYTES", memory_bytes)
        repeats = Repeats(keys)
        seen = set()
        for key in keys:
            if key in seen:
                again = repeats.again(key)
                assert again.shape == frames[key].shape and (again == frames[key]).all()
            else:
                repeats.keep(key, frames[key])
                seen.add(key)
        assert not repeats._memory and repeats._memory_bytes == 0  # nothing is kept beyond its last time
        repeats.close()


def test_a_group_comes_out_as_it_is_rendered_alone(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    # Without the clip that goes on all through the show, bars 5 and 6 look like bars 1 and 2.
    show = pipeline.load_show(make_show(tmp_path / "tide", score=SCORE.replace('bars = "1-8"', 'bars = "8"')))
    renderer = pipeline.renderer_of(show)
    monkeypatch.setattr(room, "MEMORY_BYTES", 20_000)
    streamed = list(pipeline.frames_of(renderer))
    assert [group for group, _ in streamed] == list(show.clock.groups)
    keys = [renderer.key(group) for group in show.clock.groups]
    assert len(set(keys)) < len(keys)
    wiring = Wiring(show.rig)
    for group, frames in streamed:
        assert (frames == wiring.bytes_of(renderer.light(group))).all()
        assert not frames.flags.writeable
