"""The search for beats: the best path through (time, tempo, beat of the bar).

A path is a chain of whole beats. A beat of n frames that is the b-th of its bar costs what its frames cost at their
places in the beat (`frame_scores`), and the tempo may change from beat to beat, at a price. One pass over time serves
several tempo windows at once: what a beat is worth is worked out once and every window walks its own best path.

Units: times and beat lengths in frames; scores in nats.
"""

from __future__ import annotations

from functools import cache

import numba as nb
import numpy as np
import numpy.typing as npt

PARTS = (0.0, 0.25, 1 / 3, 0.5, 2 / 3, 0.75)  # of a beat, around which places are told apart frame by frame
REACH = 3  # frames to either side of such a part
SPREAD = 2 * REACH + 1
PLACES = len(PARTS) * SPREAD + 1  # the last is "anywhere else"
START = 255  # no column: where a path starts
SHORTEST, LONGEST = 28, 112  # frames of a beat: 214 to 53.6 beats a minute at 100 frames a second
LENGTHS = np.arange(SHORTEST, LONGEST + 1)


def places_of(frame: npt.ArrayLike, length: npt.ArrayLike) -> npt.NDArray[np.int64]:
    """The place class, 0 to PLACES-1, of frames so many frames into beats of so many frames (broadcast)."""
    frame, length = np.broadcast_arrays(np.asarray(frame, float), np.asarray(length, float))
    nearest = np.full(frame.shape, np.inf)
    place = np.full(frame.shape, PLACES - 1)
    for i, part in enumerate(PARTS):
        off = frame - part * length
        if i == 0:
            off = np.where(off > length / 2, off - length, off)
        whole = np.floor(off + 0.5).astype(int)
        closer = (np.abs(whole) <= REACH) & (np.abs(off) < nearest - 1e-6)
        nearest = np.where(closer, np.abs(off), nearest)
        place = np.where(closer, i * SPREAD + whole + REACH, place)
    return place


@cache
def place_table() -> npt.NDArray[np.int64]:
    """[frames of a beat, frame in the beat] -> place, for beats up to twice the longest."""
    most = 2 * LONGEST + 1
    return places_of(np.arange(most)[None, :], np.arange(most)[:, None])


@cache
def runs() -> tuple[npt.NDArray[np.int32], npt.NDArray[np.int32]]:
    """Every beat length's places as runs of neighbours.

    Returns (table, firsts): rows (first frame, end frame, place of the first), and for each length where its rows
    start (one more entry than lengths). Within a run the place goes up by one a frame, or stays "anywhere else".
    """
    rows: list[tuple[int, int, int]] = []
    firsts = [0]
    for length in LENGTHS.tolist():
        start, places = 0, place_table()[length, :length].tolist()
        for p in range(1, length + 1):
            if p < length:
                other = places[p - 1] == PLACES - 1
                if other and places[p] == PLACES - 1:
                    continue
                if not other and places[p] == places[p - 1] + 1 < PLACES - 1 and places[p] % SPREAD != 0:
                    continue
            rows.append((start, p, places[start]))
            start = p
        firsts.append(len(rows))
    return np.array(rows, np.int32), np.array(firsts, np.int32)


@nb.njit(
    "Tuple((int32[:,::1], float64[::1], uint8[:,:,::1]))(float32[:,:,::1], int32[:,::1], int32[::1], int64[::1],"
    "int64[:,::1], int64[::1], float64[::1], float64, float64)",
    cache=True,
    error_model="numpy",
)
def _search(scores, table, firsts, lengths, windows, same, prior, price, cap):  # type: ignore[no-untyped-def]
    """The bare walk; see `search`. `scores` (frames, PLACES, kinds) has `longest` frames of nothing at both ends.

    Returns for each window the end of its best path (frame, beat of the bar, column), its score, and the pointers
    back: [frame, column, beat of the bar] -> column of the beat before, START at a path's start.
    """
    frames, places, kinds = scores.shape
    count, bar, longest = len(lengths), len(same), lengths[-1]
    columns = 0
    for w in range(len(windows)):
        columns += windows[w, 1] - windows[w, 0]
    ring = longest + 1
    other = places - 1
    along = np.zeros((ring, places, kinds))
    values = np.full((ring, columns, bar), -1e30)
    back = np.full((frames + 1, columns, bar), START, np.uint8)
    worth = np.full((count, kinds), -1e30)
    starts = np.zeros(count, np.int64)  # rows of the ring where a beat that ends now began
    best = np.zeros((count, bar))
    came = np.zeros((count, bar), np.int16)
    top = np.zeros(bar)
    top_at = np.zeros(bar, np.int16)
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
                along[row, other, kind] = along[before, other, kind] + scores[t - 1, other, kind]
            for place in range(other):
                if place % SPREAD == 0:
                    for kind in range(kinds):
                        along[row, place, kind] = scores[t - 1, place, kind]
                else:
                    for kind in range(kinds):
                        along[row, place, kind] = along[before, place - 1, kind] + scores[t - 1, place, kind]
        for k in range(count):
            start = t - lengths[k]
            if start < 0:
                break
            starts[k] = start % ring
            for kind in range(kinds):
                worth[k, kind] = 0.0
            for r in range(firsts[k], firsts[k + 1]):
                place = table[r, 2]
                low = starts[k] + table[r, 0]
                high = starts[k] + table[r, 1]
                low -= ring if low >= ring else 0
                high -= ring if high >= ring else 0
                last = other if place == other else place + table[r, 1] - table[r, 0] - 1
                for kind in range(kinds):
                    worth[k, kind] += along[high, last, kind]
                if place == other:
                    for kind in range(kinds):
                        worth[k, kind] -= along[low, other, kind]
                elif place % SPREAD != 0:
                    for kind in range(kinds):
                        worth[k, kind] -= along[low, place - 1, kind]
        column = 0
        for w in range(len(windows)):
            first, size = windows[w, 0], windows[w, 1] - windows[w, 0]
            top[:] = -1e30
            top_at[:] = column
            for i in range(size):
                begun = t >= lengths[first + i]
                ending = t - lengths[first + i] < frames - longest <= t
                for beat in range(bar):
                    was = beat - 1 if beat > 0 else bar - 1
                    v = -1e30
                    if begun:
                        v = values[starts[first + i], column + i, was] + worth[first + i, same[was]]
                    best[i, beat] = v
                    came[i, beat] = column + i
                    if v > top[beat]:
                        top[beat] = v
                        top_at[beat] = column + i
                    # The path's last beat is the one that covers the song's last frame.
                    if ending and v > totals[w]:
                        totals[w] = v
                        ends[w, 0], ends[w, 1], ends[w, 2] = t, beat, column + i
            # The price grows with the distance in log tempo: two sweeps give the best over all old tempi.
            for i in range(1, size):
                for beat in range(bar):
                    u = best[i - 1, beat] - step[first + i]
                    if u > best[i, beat]:
                        best[i, beat] = u
                        came[i, beat] = came[i - 1, beat]
            for i in range(size - 2, -1, -1):
                for beat in range(bar):
                    u = best[i + 1, beat] - step[first + i + 1]
                    if u > best[i, beat]:
                        best[i, beat] = u
                        came[i, beat] = came[i + 1, beat]
            for i in range(size):
                n = lengths[first + i]
                extra = prior[first + i] if size == count else 0.0
                for beat in range(bar):
                    v, c = best[i, beat], came[i, beat]
                    if top[beat] - cap > v:
                        v, c = top[beat] - cap, top_at[beat]
                    # The path's first beat is the one that covers the song's first frame.
                    if longest - n < t <= longest:
                        v, c = -np.log(n), np.int16(START)
                    values[row, column + i, beat] = v + extra
                    back[t, column + i, beat] = c
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
    windows : (W, 2) first and end of each tempo window, as indices into `LENGTHS`; at most START lengths in all
    prior : (lengths,) nats a beat, added in a window that spans all lengths
    price, cap : nats a unit of |log of the tempo's change| from beat to beat, and the most a change costs

    Returns for each window (nats, frames where beats start, each beat's place in the bar); a first or last beat may
    lie outside the song by part of a beat.
    """
    table, firsts = runs()
    padded = np.pad(scores.transpose(0, 2, 1), ((LONGEST, LONGEST), (0, 0), (0, 0)))
    lengths = LENGTHS.astype(np.int64)
    if int((windows[:, 1] - windows[:, 0]).sum()) > START:
        raise ValueError(f"the windows have more than {START} lengths")
    ends, totals, back = _search(np.ascontiguousarray(padded), table, firsts, lengths, windows, bar, prior, price, cap)
    column_length = np.concatenate([LENGTHS[a:b] for a, b in windows])
    out = []
    for (t, beat, column), total in zip(ends.tolist(), totals.tolist(), strict=True):
        frames, places = [t - LONGEST], [beat]
        while column != START:
            t, beat = t - int(column_length[column]), (beat - 1) % len(bar)
            frames.append(t - LONGEST)
            places.append(beat)
            column = int(back[t, column, beat])
        out.append((total, np.array(frames[::-1]), np.array(places[::-1])))
    return out
