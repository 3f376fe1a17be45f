"""What is plotted over a song: columns of time that lose no peak, round ticks, labels that keep apart. By hand."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from exporters.report import plots


def test_columns_by_hand() -> None:
    times, values = [0.0, 1.0, 2.0, 3.0], [1.0, 5.0, 2.0, 8.0]
    peak, mean = plots.columns_of(times, values, 4.0, 2)
    assert peak.tolist() == [5.0, 8.0]
    assert mean.tolist() == [3.0, 5.0]
    # Narrower than a frame: each column holds the frame that is on.
    assert plots.columns_of(times, values, 4.0, 8)[0].tolist() == [1, 1, 5, 5, 2, 2, 8, 8]


@settings(max_examples=60, deadline=None)
@given(st.lists(st.floats(0, 50), min_size=1, max_size=300), st.integers(1, 90), st.floats(0.1, 400))
def test_no_peak_is_lost_between_columns(values: list[float], columns: int, seconds: float) -> None:
    times = np.arange(len(values)) * seconds / len(values)
    peak, mean = plots.columns_of(times, values, seconds, columns)
    assert peak.max() == max(values)
    assert (mean <= peak + 1e-9).all()


def test_columns_refuse_other_lengths() -> None:
    with pytest.raises(ValueError, match="must be"):
        plots.columns_of([0.0, 1.0], [1.0], 2.0)
    with pytest.raises(ValueError, match="at least 1"):
        plots.columns_of([], [], 2.0)


@pytest.mark.parametrize(("bars", "step"), [(0, 1), (1, 1), (24, 1), (25, 2), (48, 2), (49, 4), (96, 4), (97, 8)])
def test_bar_labels_keep_apart_in_powers_of_two(bars: int, step: int) -> None:
    assert plots.bar_step(bars) == step


@pytest.mark.parametrize(("top", "step"), [(0.4, 0.1), (4, 1), (7, 2), (26.4, 10), (18, 5), (1000, 500)])
def test_ticks_are_round(top: float, step: float) -> None:
    assert plots.nice_step(top) == pytest.approx(step)


def test_a_song_without_bars_is_marked_in_minutes() -> None:
    what, marks = plots.song_marks([], 65.0)
    assert what == "time"
    assert [(at, word) for at, word, _ in marks] == [
        (0, "0:00"), (10, "0:10"), (20, "0:20"), (30, "0:30"), (40, "0:40"), (50, "0:50"), (60, "1:00"),
    ]  # fmt: skip
    assert [word for _, word, strong in marks if strong] == ["0:00", "0:40"]
    assert plots.song_marks([(0.5, 0), (1.0, 1), (3.0, 2)], 4.0)[0] == "bar"
