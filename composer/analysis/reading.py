"""The song's beat: the reading that is believed, as the map keeps it, and the runners-up."""

from __future__ import annotations

from typing import Any

import numpy as np

from ..songmap import HAIR_S, Grid, extend, run_on
from . import bars, beats, belief, marks, refine
from .features import CHROMA_FPS, FPS, Doubles, Floats

Starts = tuple[Doubles, Doubles]  # seconds and strength of every sharp start
Span = tuple[float, float]  # first and last sound, seconds

RATIOS = {"double": 2.0, "half": 0.5, "off-beat": 1.0, "3:2": 1.5, "2:3": 2 / 3, "quadruple": 4.0, "quarter": 0.25}
NEAR = 0.04  # a runner-up is so near to the tempo that gives it its name
PIECE_S, OVERLAP_S = 600.0, 30.0  # a longer song is heard in pieces, so that memory does not grow with it
CLEAR_MS, BLURRED_MS = 3.0, 6.0  # starts that stray so far from the beat: a pulse; chance (noise strays 5.5 to 9 ms)
SOFTER = 0.5  # beliefs are too sure of songs they were not fitted on; set A, cross-validated, is likeliest with this
FIRST_LINE = 2.0  # so many times likelier is a bar line where the music starts (a pickup is the rarer case)


def hear(log: Floats, chroma: Floats, starts: Starts, span: Span) -> dict[str, Any]:
    """Beats, bars, bar length, confidence, phases of other bar lengths and runners-up; empty when there is no beat."""
    pieces = int(np.ceil(len(log) / FPS / PIECE_S - 0.25))
    if pieces < 2:
        return _hear_piece(log, chroma, starts, span)
    edges = np.linspace(0, len(log), pieces + 1).astype(int)
    wide = int(OVERLAP_S * FPS / 2)
    heard: list[dict[str, Any]] = []
    for low, high in zip(edges[:-1], edges[1:], strict=True):
        low, high = max(0, int(low) - wide), min(len(log), int(high) + wide)
        from_s, to_s = low / FPS, high / FPS
        inside = (starts[0] >= from_s) & (starts[0] < to_s)
        own = (max(0.0, span[0] - from_s), min(span[1], to_s) - from_s)
        if own[1] - own[0] > 2.0:
            tones = chroma[round(low * CHROMA_FPS / FPS) : round(high * CHROMA_FPS / FPS)]
            piece = _hear_piece(log[low:high], tones, (starts[0][inside] - from_s, starts[1][inside]), own)
            heard.append({**piece, "beats": [round(t + from_s, 6) for t in piece.get("beats", [])]})
        else:
            heard.append({})
    return _joined(heard, edges[1:-1] / FPS)


def _joined(heard: list[dict[str, Any]], cuts: Doubles) -> dict[str, Any]:
    """Pieces end to end, each from cut to cut. Runners-up are not kept: each piece has its own."""
    times: list[float] = []
    lines: list[int] = []
    for piece, low, high in zip(heard, [0.0, *cuts], [*cuts, np.inf], strict=True):
        found = piece.get("beats", [])
        down = {found[i] for i in piece.get("bars", [])}
        for i, time in enumerate(found):
            period = found[min(i + 1, len(found) - 1)] - found[max(i - 1, 0)]
            if low <= time < high and (not times or time - times[-1] > 0.25 * period):
                if time in down:
                    lines.append(len(times))
                times.append(time)
    sizes = [piece["beats_per_bar"] for piece in heard if piece.get("beats")]
    if not sizes:
        return {}
    return {
        "beats": times, "bars": lines, "beats_per_bar": max(set(sizes), key=sizes.count), "phases": {},
        "confidence": round(float(np.mean([piece.get("confidence", 0.0) for piece in heard])), 3), "alternatives": [],
    }  # fmt: skip


def _hear_piece(log: Floats, chroma: Floats, starts: Starts, span: Span) -> dict[str, Any]:
    parts = beats.prepare(log, chroma)
    fitted = beats.patterns()
    found = beats.readings(parts.levels, fitted)
    if not found:
        return {}
    shares = belief.belief(marks.reading_marks(parts, found, starts), fitted["beat"])
    order = [int(i) for i in np.argsort(shares)[::-1]]
    best = found[order[0]]
    out, blur_s = _kept(parts, best, starts, span)
    out["confidence"] = round(_odds_softened(float(shares[order[0]])) * clarity(blur_s), 3)
    out["alternatives"] = []
    for name, ratio in RATIOS.items():
        for i in order[1:]:
            if abs(_pace(found[i]) / _pace(best) / ratio - 1) < NEAR:
                other, _ = _kept(parts, found[i], starts, span)
                out["alternatives"].append({"name": name, "belief": round(float(shares[i]), 3), **other})
                break
    return out


def _odds_softened(share: float) -> float:
    """A belief as one may trust it: its odds to the power of SOFTER."""
    right, wrong = share**SOFTER, max(0.0, 1 - share) ** SOFTER
    return float(right / (right + wrong))


def clarity(blur_s: float) -> float:
    """0-1: whether sounds start where the beats are, or anywhere. `blur_s` as `refine.refined` measures it."""
    return float(np.clip((BLURRED_MS - 1000 * blur_s) / (BLURRED_MS - CLEAR_MS), 0, 1))


def _pace(reading: beats.Reading) -> float:
    return 1 / float(np.median(np.diff(reading.frames)))


def _kept(parts: beats.Heard, reading: beats.Reading, starts: Starts, span: Span) -> tuple[dict[str, Any], float]:
    """A reading as the map keeps it: exact beats from the first sound to the last, bars, other bar lengths' phases.

    Returns also how far, in seconds, the sounds' starts stray from its beats.
    """
    shares = belief.belief(bars.bar_marks(parts, reading), beats.patterns()["bar"])
    times = reading.frames[:-1] / FPS
    begins = int(np.argmin(np.abs(times - span[0])))
    at = np.array([begins % size == first for size, first in bars.candidates()])
    shares = np.where(at, FIRST_LINE, 1.0) * shares
    inside = np.flatnonzero((times >= span[0] - 0.1) & (times <= span[1] + 0.1))
    exact, blur = refine.refined(times[inside], *starts)
    kept = exact > -HAIR_S
    exact, lost = np.maximum(exact[kept], 0.0), (int(inside[0]) if len(inside) else 0) + int((~kept).sum())
    size, first = bars.candidates()[int(np.argmax(shares))]
    phases = {}
    for other in bars.SIZES:
        rows = [i for i, (beats_a_bar, _) in enumerate(bars.candidates()) if beats_a_bar == other]
        phases[other] = (int(np.argmax(shares[rows])) - lost) % other
    bar_lines = run_on([(first - lost) % size], len(exact), size)
    plain = Grid(tuple(round(float(t), 6) for t in exact), bar_lines, size)
    grid = extend(plain, *span)
    added = grid.beats.index(plain.beats[0]) if plain.beats else 0
    strays = float(np.median(np.nan_to_num(blur, nan=1.0))) if len(blur) else 1.0
    return {
        "beats": list(grid.beats), "bars": list(grid.bars), "beats_per_bar": size,
        "phases": {str(other): (phase + added) % other for other, phase in phases.items()},
    }, strays  # fmt: skip
