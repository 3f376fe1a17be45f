"""How marks become belief: a small fitted function from what speaks for and against each candidate to shares of belief.

    worth = linear . x + outer . tanh(inner x + offset),   x = (marks - mean) / spread, at most 5 either way

and belief is the softmax of worth over a song's candidates. Its numbers are fitted by `benchmarks/fit_hearing.py` on
made-up songs and set A so that the expected F-measure of the believed candidate is greatest.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np

from .features import Doubles

FAR = 5.0  # spreads: what lies farther out is not followed


def belief(marks: Doubles, judges: list[Mapping[str, Any]]) -> Doubles:
    """(candidates,) shares that sum to 1, from (candidates, marks): the mean of what several fits believe."""
    shares = [_softmax(_worth(marks, judge)) for judge in judges]
    return np.asarray(np.mean(shares, axis=0))


def _worth(marks: Doubles, judge: Mapping[str, Any]) -> Doubles:
    x = np.clip((marks - np.array(judge["mean"])) / np.array(judge["spread"]), -FAR, FAR)
    inner = np.tanh(x @ np.array(judge["inner"]).reshape(x.shape[1], -1) + np.array(judge["offset"]))
    return np.asarray(x @ np.array(judge["linear"]) + inner @ np.array(judge["outer"]))


def _softmax(worth: Doubles) -> Doubles:
    shares = np.exp(worth - worth.max())
    return np.asarray(shares / shares.sum())
