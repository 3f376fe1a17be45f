"""The search for beats: the best path through (time, tempo, beat of the bar).

A path is a chain of whole beats. A beat of n frames that is the b-th of its bar costs what its frames cost at their
places in the beat (`frame_scores`), and the tempo may change from beat to beat, at a price. One pass over time serves
several tempo windows at once: what a beat is worth is worked out once and every window walks its own best path.

Units: times and beat lengths in frames; scores in nats.
"""

from __future__ import annotations

import numba as nb
import numpy as np
import numpy.typing as npt

PARTS = (0.0, 0.25, 1 / 3, 0.5, 2 / 3, 0.75)  # of a beat, around which places are told apart frame by frame
REACH = 3  # frames to either side of such a part
SPREAD = 2 * REACH + 1
PLACES = len(PARTS) * SPREAD + 1  # the last is "anywhere else"
SHORTEST, LONGEST = 28, 112  # frames of a beat: 214 to 53.6 beats a minute at 100 frames a second
LENGTHS = np.arange(SHORTEST, LONGEST + 1)


def place_of(frame: float, length: float) -> int:
    """The place class, 0 to PLACES-1, of a frame `frame` frames into a beat of `length` frames."""
    best, place = float("inf"), PLACES - 1
    for i, part in enumerate(PARTS):
        off = frame - part * length
        if i == 0 and off > length / 2:
            off -= length
        whole = int(np.floor(off + 0.5))
        if abs(whole) <= REACH and abs(off) < best - 1e-6:
            best, place = abs(off), i * SPREAD + whole + REACH
    return place


def runs() -> tuple[npt.NDArray[np.int32], npt.NDArray[np.int32]]:
    """Every beat length's places as runs of neighbours.

    Returns (table, firsts): rows (first frame, end frame, place of the first), and for each length where its rows
    start (one more entry than lengths). Within a run the place goes up by one a frame, or stays "anywhere else".
    """
    rows: list[tuple[int, int, int]] = []
    firsts = [0]
    for length in LENGTHS:
        start, places = 0, [place_of(p, length) for p in range(length)]
        for p in range(1, length + 1):
            other = places[p - 1] == PLACES - 1
            steady = p < length and (
                places[p] == places[p - 1] if other else places[p] == places[p - 1] + 1 and places[p] % SPREAD != 0
            )
            if p == length or not steady or (not other and places[p] == PLACES - 1):
                rows.append((start, p, places[start]))
                start = p
        firsts.append(len(rows))
    return np.array(rows, np.int32), np.array(firsts, np.int32)


@nb.njit(
    "Tuple((int32[:,::1], float64[::1], int16[:,:,::1]))"
    "(float32[:,:,::1], int32[:,::1], int32[::1], int64[::1], int64[:,::1], int64[::1], float64[::1], float64, float64)",
    cache=True,
)
def _search(scores, table, firsts, lengths, windows, same, prior, price, cap):  # type: ignore[no-untyped-def]
    """The bare walk; see `search`. `scores` has `longest` frames of nothing at both ends.

    Returns for each window the end of its best path (frame, beat of the bar, column), its score, and the pointers
    back: [frame, beat of the bar, column] -> column of the beat before, -1 at a path's start.
    """
    frames, kinds, places = scores.shape
    count, bar, longest = len(lengths), len(same), lengths[-1]
    columns = 0
    for w in range(len(windows)):
        columns += windows[w, 1] - windows[w, 0]
    ring = longest + 1
    along = np.zeros((ring, kinds, places))
    values = np.full((ring, bar, columns), -1e30)
    back = np.full((frames + 1, bar, columns), -1, np.int16)
    worth = np.zeros((kinds, count))
    best = np.zeros(count)
    came = np.zeros(count, np.int64)
    ends = np.zeros((len(windows), 3), np.int32)
    totals = np.full(len(windows), -1e30)
    step = np.zeros(count)
    for k in range(1, count):
        step[k] = price * np.log(lengths[k] / lengths[k - 1])
    for t in range(frames + 1):
        # along[t] sums the frames before t, so that a run of a beat is a difference of two rows: diagonally where the
        # place goes up with the frame, straight where it stays "anywhere else".
        row, before = t % ring, (t - 1) % ring
        if t > 0:
            for kind in range(kinds):
                for place in range(places):
                    carry = along[before, kind, place] if place == places - 1 else 0.0
                    if place < places - 1 and place % SPREAD != 0:
                        carry = along[before, kind, place - 1]
                    along[row, kind, place] = carry + scores[t - 1, kind, place]
        for k in range(count):
            start = t - lengths[k]
            if start < 0:
                break
            for kind in range(kinds):
                total = 0.0
                for r in range(firsts[k], firsts[k + 1]):
                    a, b, place = table[r, 0], table[r, 1], table[r, 2]
                    if place == places - 1:
                        total += along[(start + b) % ring, kind, place] - along[(start + a) % ring, kind, place]
                    else:
                        total += along[(start + b) % ring, kind, place + b - a - 1]
                        if place % SPREAD != 0:
                            total -= along[(start + a) % ring, kind, place - 1]
                worth[kind, k] = total
        column = 0
        for w in range(len(windows)):
            low, size = windows[w, 0], windows[w, 1] - windows[w, 0]
            for beat in range(bar):
                was = beat - 1 if beat > 0 else bar - 1
                top, top_at = -1e30, 0
                for i in range(size):
                    start = t - lengths[low + i]
                    best[i] = -1e30
                    came[i] = column + i
                    if start >= 0:
                        best[i] = values[start % ring, was, column + i] + worth[same[was], low + i]
                        if best[i] > top:
                            top, top_at = best[i], column + i
                        # The path's last beat is the one that covers the song's last frame.
                        if start < frames - longest <= t and best[i] > totals[w]:
                            totals[w] = best[i]
                            ends[w, 0], ends[w, 1], ends[w, 2] = t, beat, column + i
                # The price grows with the distance in log tempo: two sweeps give the best over all old tempi.
                for i in range(1, size):
                    u = best[i - 1] - step[low + i]
                    if u > best[i]:
                        best[i], came[i] = u, came[i - 1]
                for i in range(size - 2, -1, -1):
                    u = best[i + 1] - step[low + i + 1]
                    if u > best[i]:
                        best[i], came[i] = u, came[i + 1]
                for i in range(size):
                    n = lengths[low + i]
                    if top - cap > best[i]:
                        best[i], came[i] = top - cap, top_at
                    # The path's first beat is the one that covers the song's first frame.
                    if longest - n < t <= longest:
                        best[i], came[i] = -np.log(n), -1
                    values[row, beat, column + i] = best[i] + (prior[low + i] if size == count else 0.0)
                    back[t, beat, column + i] = came[i]
            column += size
    return ends, totals, back


def search(
    scores: npt.NDArray[np.float32],
    bar: npt.NDArray[np.int64],
    windows: npt.NDArray[np.int64],
    prior: npt.NDArray[np.float64],
    price: float,
    cap: float,
) -> list[tuple[float, npt.NDArray[np.int64], npt.NDArray[np.int64]]]:
    """The best chain of beats in every tempo window.

    Parameters
    ----------
    scores : (frames, kinds, PLACES) nats of a frame at a place of a kind of beat
    bar : (beats a bar,) the kind of each beat of a bar
    windows : (W, 2) first and end of each tempo window, as indices into `LENGTHS`
    prior : (lengths,) nats a beat, added in a window that spans all lengths
    price, cap : nats a unit of |log of the tempo's change| from beat to beat, and the most a change costs

    Returns for each window (nats, frames where beats start, each beat's place in the bar); a first or last beat may
    lie outside the song by part of a beat.
    """
    table, firsts = runs()
    padded = np.pad(scores, ((LONGEST, LONGEST), (0, 0), (0, 0)))
    lengths = LENGTHS.astype(np.int64)
    ends, totals, back = _search(np.ascontiguousarray(padded), table, firsts, lengths, windows, bar, prior, price, cap)
    column_length = np.concatenate([LENGTHS[a:b] for a, b in windows])
    out = []
    for (t, beat, column), total in zip(ends.tolist(), totals.tolist(), strict=True):
        frames, places = [t - LONGEST], [beat]
        while column >= 0:
            t, beat = t - int(column_length[column]), (beat - 1) % len(bar)
            frames.append(t - LONGEST)
            places.append(beat)
            column = int(back[t, beat, column])
        out.append((total, np.array(frames[::-1]), np.array(places[::-1])))
    return out
