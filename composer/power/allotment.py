"""What each board may draw of each supply: the figures that stand in its roll.

Every board gets what it always draws (its dark pixels and itself). The rest of a supply's budget is shared out in
proportion to what each board's largest frame adds to that. Where the needs of a supply's boards fit its budget
together, every allotment covers its board's need (to the milliampere that a roll can hold): then the budget holds
however far apart the boards run. Where they do not (the boards are brightest at different times), no shares could both
hold every frame and sum to the budget. The allotments still sum to it, and the budget then holds while the boards keep
step, which the limiter saw to.
"""

from __future__ import annotations

import math

import numpy as np

from .model import Amps, CurrentModel

HAIR_MA = 1e-6  # 4.8 A are 4800 mA, whatever the last digit of the product


def allotments(model: CurrentModel, most_a: Amps | None = None) -> dict[str, dict[str, int]]:
    """Milliamperes by controller and supply; those of a supply sum to at most its budget.

    `most_a` (draws,): the most amperes above idle that each (controller, supply) pair draws in the show
    (`CurrentModel.draw_a`); without it that of full white.
    """
    if most_a is None:
        most_a = model.draw_a(model.run_sums(model.white()))[0]
    out: dict[str, dict[str, int]] = {name: {} for name in model.rig.controllers}
    dark = model.by_board(np.zeros_like(most_a))
    for name, budget_a, always, most in zip(model.supplies, model.budget_a, dark, model.by_board(most_a), strict=True):
        above = {board: most[board] - always[board] for board in most}
        left_a = budget_a - sum(always.values())
        if left_a < 0 or not any(above.values()):
            # A budget that even dark pixels exceed (the show fails by that), or a show that stays dark.
            always, above, left_a = dict.fromkeys(most, 0.0), always, budget_a
        total_a = sum(above.values())
        for board in most:
            part = above[board] / total_a if total_a else 0.0
            out[board][name] = math.floor(1000 * (always[board] + left_a * part) + HAIR_MA)
    return out
