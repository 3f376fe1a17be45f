"""Every effect against its closed form, worked by hand: where the light is, and how much, at given phases.

A pixel i of a straight string covers [i, i + 1]; a boundary inside it lights the share that it covers.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from effects_kit import at_beats, beats_of, colours, covers, seconds_of, shows, string_of

from composer.effects import Place, draw
from composer.effects.basis import ease
from composer.effects.table import parse_width

RED, GREEN, BLUE = colours("#f00", "#0f0", "#00f")


@pytest.mark.parametrize(
    ("easing", "quarter", "half"),
    [("linear", 0.25, 0.5), ("ease", 3 / 16 - 2 / 64, 0.5), ("ease-in", 1 / 16, 0.25), ("ease-out", 7 / 16, 0.75)],
)
def test_an_easing_keeps_both_ends_and_has_its_value_between(easing: str, quarter: float, half: float) -> None:
    assert ease(np.array([-1.0, 0.0, 0.25, 0.5, 1.0, 2.0]), easing).tolist() == [0, 0, quarter, half, 1, 1]


def test_hold_gives_each_colour_its_share_of_the_clip() -> None:
    seen = shows("hold", at_beats([0, 1.99, 2, 3.99, 4, 5.99], 6.0), string_of(1), {"colour": (RED, GREEN, BLUE)})
    assert seen[:, 0].tolist() == [list(c) for c in (RED, RED, GREEN, GREEN, BLUE, BLUE)]


def test_hold_crosses_over_in_the_last_share_of_a_turn_and_stays_on_the_last_colour() -> None:
    params = {"colour": (RED, BLUE), "crossfade": 0.5}
    seen = shows("hold", at_beats([1, 1.5, 2, 3.9], 4.0), string_of(1), params)[:, 0]
    np.testing.assert_allclose(seen, np.array([[1, 0, 0], [0.5, 0, 0.5], [0, 0, 1], [0, 0, 1]]), atol=1e-6)
    again = shows("hold", at_beats([3.5], 4.0), string_of(1), params | {"every": beats_of("2")})[:, 0]
    np.testing.assert_allclose(again, [[0.5, 0, 0.5]], atol=1e-6)


def test_a_still_blend_has_its_end_colours_on_the_end_pixels() -> None:
    seen = shows("blend", at_beats([0]), string_of(5), {"colour": colours("black", "white")})[0, :, 0]
    np.testing.assert_allclose(seen, [0, 0.25, 0.5, 0.75, 1], atol=1e-6)
    back = shows("blend", at_beats([0]), string_of(5), {"colour": colours("black", "white"), "direction": "back"})
    np.testing.assert_allclose(back[0, :, 0], [1, 0.75, 0.5, 0.25, 0], atol=1e-6)


def test_a_moving_blend_is_a_closed_loop_that_moves_forward() -> None:
    params = {"colour": colours("black", "white"), "every": beats_of("4")}
    seen = shows("blend", at_beats([0, 1, 4]), string_of(4), params)[:, :, 0]
    # Black at 0, white at 1/2, black at 1; pixel middles at 1/8, 3/8, 5/8, 7/8. One beat moves it by one pixel.
    np.testing.assert_allclose(
        seen, [[0.25, 0.75, 0.75, 0.25], [0.25, 0.25, 0.75, 0.75], [0.25, 0.75, 0.75, 0.25]], atol=1e-3
    )


def test_swell_goes_from_one_light_to_the_other() -> None:
    ends: dict[str, Any] = {"from": 0.2, "reach": 0.6}
    got = covers("swell", [0, 2, 4, 8], 1, easing="linear", **ends)
    assert got[:, 0].tolist() == [0.2, 0.3, 0.4, 0.6]


def test_swell_with_a_period_goes_there_and_back() -> None:
    assert covers("swell", [0, 1, 2, 3, 4, 5], 1, every=beats_of("4"), easing="linear")[:, 0].tolist() == [
        0, 0.5, 1, 0.5, 0, 0.5]  # fmt: skip


def test_a_lagging_swell_reaches_the_far_end_later() -> None:
    # Lag 1/2, two pixels with middles at 1/4 and 3/4: they start at 1/8 and 3/8 of the clip, each takes 1/2.
    got = covers("swell", [1, 3, 5, 7], 2, lag=0.5, easing="linear")
    assert got.tolist() == [[0, 0], [0.5, 0], [1, 0.5], [1, 1]]
    # With a period of 8 beats the first pixel starts at beat 1, the second at beat 3; before that, nothing.
    loop = covers("swell", [0, 1, 3, 5, 7, 8, 11], 2, lag=0.5, easing="linear", every=beats_of("8"), length=16.0)
    assert loop.tolist() == [[0, 0], [0, 0], [0.5, 0], [1, 0.5], [0.5, 1], [0.25, 0.75], [0.5, 0]]


def test_accent_is_full_at_its_first_frame_and_decays_as_a_square() -> None:
    assert covers("accent", [0, 0.25, 0.5, 0.75, 1, 3], 1)[:, 0].tolist() == [1, 0.5625, 0.25, 0.0625, 0, 0]


def test_accent_counts_seconds_when_told_to() -> None:
    assert covers("accent", [0, 1, 2], 1, decay=seconds_of("1"), easing="linear")[:, 0].tolist() == [1, 0.5, 0]


@pytest.mark.parametrize("frames_a_beat", [12, 20, 24, 28, 37])
@pytest.mark.parametrize("every", ["1", "1/2", "1/3", "3/4", "2/7"])
def test_a_repeated_accent_peaks_on_its_own_frame_and_nowhere_else(frames_a_beat: int, every: str) -> None:
    pace = beats_of(every)
    frames = frames_a_beat * 12
    on = {i for i in range(frames) if (i / pace.value / frames_a_beat).denominator == 1}
    got = covers("accent", np.arange(frames) / frames_a_beat, 1, every=pace, length=12.0)[:, 0]
    assert {i for i in range(frames) if got[i] == 1} == on


def test_accent_lights_the_middle_with_direction_out_and_closes_up() -> None:
    got = covers("accent", [0, 0.5], 8, width="4 pixels", direction="out", easing="linear", shrink=1.0)
    assert got[0].tolist() == [0, 0, 1, 1, 1, 1, 0, 0]
    assert got[1].tolist() == [0, 0, 0, 0.5, 0.5, 0, 0, 0]


def test_gate_opens_at_the_clips_start_and_on_every_third_of_a_beat() -> None:
    got = covers("gate", np.arange(24) / 12, 1, every=beats_of("1/3"))[:, 0]
    assert got.tolist() == [1, 1, 0, 0] * 6


def test_gate_plays_a_rhythm_its_colours_in_turn() -> None:
    params = {"every": beats_of("1"), "rhythm": "x.x", "open": 1.0, "colour": (RED, BLUE)}
    seen = shows("gate", at_beats(range(6)), string_of(1), params)[:, 0]
    assert seen.tolist() == [list(c) for c in (RED, (0, 0, 0), BLUE, RED, (0, 0, 0), BLUE)]


def test_gate_softens_the_end_of_its_open_time_only() -> None:
    got = covers("gate", [0, 0.25, 0.5, 0.75], 1, every=beats_of("1"), open=1.0, soft=1.0)[:, 0]
    assert got.tolist() == [1, 0.84375, 0.5, 0.15625]


def test_gate_parts_take_the_steps_in_turn() -> None:
    got = covers("gate", [0, 1, 2, 3], 6, every=beats_of("1"), split=3)
    assert got.tolist() == [[1, 1, 0, 0, 0, 0], [0, 0, 1, 1, 0, 0], [0, 0, 0, 0, 1, 1], [1, 1, 0, 0, 0, 0]]


def test_run_starts_whole_at_the_start_and_arrives_whole_at_the_end() -> None:
    got = covers("run", [0, 0.125, 1, 2], width="2 pixels", tail="0 %")
    assert got[0].tolist() == [1, 1, 0, 0, 0, 0, 0, 0, 0, 0]
    assert got[1].tolist() == [0.5, 1, 0.5, 0, 0, 0, 0, 0, 0, 0]
    assert got[2].tolist() == [0, 0, 0, 0, 1, 1, 0, 0, 0, 0]
    assert got[3].tolist() == [1, 1, 0, 0, 0, 0, 0, 0, 1, 1]


def test_runs_tail_falls_as_a_square_behind_it() -> None:
    got = covers("run", [1], width="2 pixels", tail="4 pixels")[0]
    assert got.tolist() == [0.015625, 0.140625, 0.390625, 0.765625, 1, 1, 0, 0, 0, 0]


def test_a_run_going_back_is_rigid_at_the_turn() -> None:
    got = covers("run", [2, 3, 4], width="2 pixels", tail="0 %", turn="back")
    assert got[0].tolist() == [0] * 8 + [1, 1]
    assert got[1].tolist() == [0, 0, 0, 0, 1, 1, 0, 0, 0, 0]
    assert got[2].tolist() == [1, 1] + [0] * 8


def test_a_run_coming_round_wraps_over_the_seam() -> None:
    got = covers("run", [0, 1.8], width="2 pixels", tail="0 %", turn="round")
    assert got[0].tolist() == [1, 1] + [0] * 8
    assert got[1].tolist() == [1] + [0] * 8 + [1]


def test_two_runs_at_once_are_half_a_period_apart() -> None:
    got = covers("run", [1], width="2 pixels", tail="0 %", pulses=2)[0]
    assert got.tolist() == [1, 1, 0, 0, 1, 1, 0, 0, 0, 0]


def test_a_run_outward_starts_in_the_middle_of_even_and_odd_zones() -> None:
    assert covers("run", [0], 8, width="2 pixels", tail="0 %", direction="out")[0].tolist() == [0, 0, 1, 1, 1, 1, 0, 0]
    odd = covers("run", [0], 9, width="1 pixels", tail="0 %", direction="out")[0]
    assert odd.tolist() == [0, 0, 0, 0.5, 1, 0.5, 0, 0, 0]


def test_a_run_inward_starts_at_both_ends() -> None:
    assert covers("run", [0], 6, width="1 pixels", tail="0 %", direction="in")[0].tolist() == [1, 0, 0, 0, 0, 1]


def test_a_width_in_metres_is_that_many_pixels_of_the_string() -> None:
    by_metres = covers("run", [0.3], place=string_of(20, 0.05), width="0.2 m", tail="25 cm")
    assert (by_metres == covers("run", [0.3], 20, width="4 pixels", tail="5 pixels")).all()


def test_across_the_metres_rows_move_as_one() -> None:
    serpentine = [(x if y % 2 == 0 else 3 - x, y) for y in range(4) for x in range(4)]
    got = covers("edge", [4], place=Place.of(serpentine), axis="y")[0].reshape(4, 4)
    assert got.tolist() == [[1] * 4, [1] * 4, [0] * 4, [0] * 4]
    across = covers("edge", [2], place=Place.of(serpentine), axis="x")[0].reshape(4, 4)
    assert across.tolist() == [[1, 0, 0, 0], [0, 0, 0, 1], [1, 0, 0, 0], [0, 0, 0, 1]]


def test_edge_lies_where_its_easing_says() -> None:
    assert covers("edge", [2], 10)[0].tolist() == [1, 1, 0.5, 0, 0, 0, 0, 0, 0, 0]
    assert covers("edge", [2], 10, easing="ease")[0].tolist() == [1, 0.5625, 0, 0, 0, 0, 0, 0, 0, 0]


@pytest.mark.parametrize("soft", ["0 %", "3 pixels", "50 %"])
def test_edge_begins_with_nothing_and_ends_with_all(soft: str) -> None:
    got = covers("edge", [0, 8 - 1e-9], 10, soft=soft, length=8.0, then="back", every=beats_of("8"))
    assert got[0].tolist() == [0] * 10
    assert covers("edge", [8], 10, soft=soft, then="back", every=beats_of("8"))[0].tolist() == [1] * 10


def test_edge_draws_back_or_clears_or_starts_again() -> None:
    at = [0.5, 1, 1.25]
    assert covers("edge", at, 4, every=beats_of("1"), then="back").tolist() == [[1, 1, 0, 0], [1] * 4, [1, 1, 1, 0]]
    assert covers("edge", at, 4, every=beats_of("1"), then="clear").tolist() == [[1, 1, 0, 0], [1] * 4, [0, 1, 1, 1]]
    assert covers("edge", at, 4, every=beats_of("1"), then="again").tolist() == [[1, 1, 0, 0], [0] * 4, [1, 0, 0, 0]]


def test_edge_paints_each_colour_over_the_one_before() -> None:
    seen = shows("edge", at_beats([2, 6]), string_of(2), {"colour": (RED, BLUE)})
    assert seen.tolist() == [[list(RED), [0, 0, 0]], [list(BLUE), list(RED)]]


def test_pile_lands_one_piece_on_every_step() -> None:
    got = covers("pile", [0, 0.5, 1, 3, 4], 8, width="2 pixels", every=beats_of("1"), easing="linear")
    assert got[0].tolist() == [1, 1, 0, 0, 0, 0, 0, 0]
    assert got[1].tolist() == [0, 0, 0, 1, 1, 0, 0, 0]
    assert got[2].tolist() == [1, 1, 0, 0, 0, 0, 1, 1]
    assert got[3].tolist() == [1, 1, 1, 1, 1, 1, 1, 1]
    assert got[4].tolist() == [1] * 8


def test_pile_falls_as_a_stone_and_several_at_once() -> None:
    # A fall of two steps from 0 to 6: after one step 6/4 of a pixel, and the next piece starts.
    got = covers("pile", [1], 8, width="2 pixels", every=beats_of("1"), fall=2.0)[0]
    assert got.tolist() == [1, 1, 1, 0.5, 0, 0, 0, 0]


def test_pile_fits_the_clip_and_starts_again_if_told_to() -> None:
    # 4 pieces, one step of fall, one to be seen full: 5 steps of 8/5 beats.
    assert covers("pile", [8 * 2.5 / 5, 8 * 4 / 5, 8], 8, width="25 %").sum(axis=1).tolist() == [6, 8, 8]
    got = covers("pile", [5, 6], 8, width="2 pixels", every=beats_of("1"), again=True)
    assert got.tolist() == [[1, 1, 0, 0, 0, 0, 0, 0], [1, 1, 0, 0, 0, 0, 1, 1]]


def test_weave_steps_its_pattern_forward() -> None:
    params = {"colour": (RED, BLUE), "width": parse_width("2 pixels")}
    seen = shows("weave", at_beats([0, 1, 2]), string_of(4), params)
    assert seen.tolist() == [[list(c) for c in row] for row in (
        (RED, RED, BLUE, BLUE), (BLUE, BLUE, RED, RED), (RED, RED, BLUE, BLUE))]  # fmt: skip


def test_a_gliding_weave_arrives_on_the_beat_and_mixes_inside_a_pixel() -> None:
    params = {"colour": (RED, BLUE), "width": parse_width("2 pixels"), "glide": 0.5, "easing": "linear"}
    seen = shows("weave", at_beats([0.5, 0.625]), string_of(4), params)
    assert seen[0].tolist() == [list(c) for c in (RED, RED, BLUE, BLUE)]
    # A quarter of the way: half a pixel on.
    np.testing.assert_allclose(seen[1], np.array([[0.5, 0, 0.5], [1, 0, 0], [0.5, 0, 0.5], [0, 0, 1]]), atol=1e-6)


def test_a_weave_of_one_colour_and_a_gap_walks_along() -> None:
    got = covers("weave", [0, 1, 2, 3], 6, colour=(RED,), width="1 pixels", gap="2 pixels")
    assert got.tolist() == [[1, 0, 0, 1, 0, 0], [0, 1, 0, 0, 1, 0], [0, 0, 1, 0, 0, 1], [1, 0, 0, 1, 0, 0]]


def test_scatter_lights_on_the_step_and_fades_as_a_square() -> None:
    got = covers("scatter", [0, 0.5, 1, 2], 3, every=beats_of("4"), decay=beats_of("2"), share=1.0)
    assert got.tolist() == [[1] * 3, [0.5625] * 3, [0.25] * 3, [0] * 3]


def test_scatter_rises_before_it_fades() -> None:
    got = covers("scatter", [0, 0.25, 0.5, 1], 1, every=beats_of("4"), decay=beats_of("1"), share=1.0, rise=0.5)
    assert got[0].tolist() == [0] and got[1].tolist() == [0.5]
    assert got[2].tolist() == [1] and got[3].tolist() == [0]


def test_scatter_lights_the_share_it_promises() -> None:
    # 4,000 pixels on 10 steps, each with 0.2: mean 8,000, standard deviation sqrt(40000 x 0.2 x 0.8) = 80.
    lit = covers("scatter", np.arange(10), 4000, every=beats_of("1"), decay=beats_of("1/2"), share=0.2)
    assert abs((lit == 1).sum() - 8000) < 4 * 80
    assert not (lit[0] == lit[1]).all()


def test_scatter_patches_light_as_one() -> None:
    lit = covers("scatter", np.arange(40), 12, every=beats_of("1"), share=0.5, width="3 pixels").reshape(40, 4, 3)
    assert (lit == lit[:, :, :1]).all()
    assert len(np.unique(lit[:, :, 0], axis=0)) > 8


def test_drift_is_smooth_in_time_and_place() -> None:
    got = covers("drift", np.arange(0, 16, 1 / 64), 200, colour=(RED,), width="40 pixels", detail=0.0, contrast=1.0)
    # The steepest slope of the smoothest step used (t^3 (6t^2 - 15t + 10)) is 15/8; ease multiplies by 3/2 at most,
    # contrast by 0.8, the evening out of the variance by no more than 3: below 6.75 a patch, a period of 4 beats.
    assert np.abs(np.diff(got, axis=1)).max() < 6.75 / 40
    assert np.abs(np.diff(got, axis=0)).max() < 6.75 / 256


def test_drift_uses_the_whole_range_and_no_end_more_than_the_other() -> None:
    """40 seeds: the mean of their means near 1/2 (a seed's own spreads by 0.08 or so), and dark, light and between."""
    beats = np.arange(0, 16)
    got = np.stack([covers("drift", beats, 200, colour=(RED,), width="40 pixels", seed=seed) for seed in range(40)])
    assert abs(got.mean() - 0.5) < 4 * got.mean(axis=(1, 2)).std() / 40**0.5
    assert min((got < 0.2).mean(), (got > 0.8).mean(), ((got > 0.3) & (got < 0.7)).mean()) > 0.1


def test_drift_flows_by_so_many_patches_a_period() -> None:
    # One period, no detail; where the noise has hardly changed, it must have moved on by 10 pixels in 1/8 period.
    still: dict[str, Any] = {"colour": (RED,), "width": "80 pixels", "flow": 1.0, "detail": 0.0, "every": beats_of("8")}
    got = covers("drift", [0, 1e-3], 400, length=16.0, **still)
    assert np.abs(got[0] - got[1]).max() < 1e-2
    late = covers("drift", [0, 0.1], 400, length=16.0, **still)
    assert np.abs(late[1][1:] - late[0][:-1]).max() < 0.2 * np.abs(late[1] - late[0]).max()


RIGHT_THEN_UP = Place.of([(0, 0), (1, 0), (2, 0), (3, 0), (3, 1), (3, 2), (3, 3), (3, 4)])
FROM_THE_CORNER: dict[str, Any] = {
    "centre": (0.0, 0.0), "width": "1 pixels", "tail": "0 %", "every": beats_of("50"), "spread": beats_of("10"),
    "length": 50.0,
}  # fmt: skip


def test_a_ring_is_a_circle_over_the_metres() -> None:
    # Pitch 1 m; the farthest pixel of the centre (0, 0) is (3, 4), 5 m away (3-4-5 triangle), so the way is 6 long.
    got = covers("rings", [0, 6, 10], place=RIGHT_THEN_UP, dim=0.0, **FROM_THE_CORNER)
    assert got[0].tolist() == [1, 0, 0, 0, 0, 0, 0, 0]
    # After 6/10 the ring is [3, 4]: (3, 0) whole, (3, 1) at sqrt(10), so 4 - 3.162278; (3, 2) 4 - 3.605551.
    np.testing.assert_allclose(got[1], [0, 0, 0, 1, 0.837722, 0.394449, 0, 0], atol=1e-5)
    np.testing.assert_allclose(got[2], [0, 0, 0, 0, 0, 0, 5 - 5 + 18**0.5 - 4, 1], atol=1e-5)


def test_a_ring_dims_on_its_way_and_closes_in_when_told_to() -> None:
    dim = covers("rings", [6], place=RIGHT_THEN_UP, dim=0.5, **FROM_THE_CORNER)[0]
    assert dim[3] == pytest.approx(1 - 0.5 * 0.6)
    closing = covers("rings", [0], place=RIGHT_THEN_UP, direction="in", **FROM_THE_CORNER)[0]
    assert closing[7] == 1 and closing[0] == 0


def test_gauge_is_as_long_as_it_is_loud() -> None:
    got = covers("gauge", [0, 1, 2], 8, loud=[0.25, 1.0, 0.3125], soft="0 %")
    assert got.tolist() == [[1, 1, 0, 0, 0, 0, 0, 0], [1] * 8, [1, 1, 0.5, 0, 0, 0, 0, 0]]
    floor = covers("gauge", [0, 1], 8, loud=[0.75, 0.5], floor=0.5, soft="0 %")
    assert floor.sum(axis=1).tolist() == [4, 0]
    gain = covers("gauge", [0], 8, loud=[0.25], gain=2.0, soft="0 %")
    assert gain.sum() == 4


def test_gauge_shows_the_loudness_as_light() -> None:
    assert covers("gauge", [0, 1], 1, loud=[0.25, 0.75], shows="light")[:, 0].tolist() == [0.25, 0.75]


def test_gauge_without_the_sound_it_needs_says_so() -> None:
    times = at_beats([0.0])
    silent = type(times)(times.beats, times.seconds, 8.0, 4.0)
    with pytest.raises(ValueError, match='needs the loudness of the band "low"'):
        draw("gauge", silent, string_of(3), {"band": "low"}, 1)


def test_strength_scales_what_it_is_told_to() -> None:
    assert covers("accent", [0], 4, strength_in=0.5)[0].tolist() == [0.5] * 4
    assert covers("accent", [0], 4, strength_in=0.5, strength="nothing")[0].tolist() == [1] * 4
    assert covers("accent", [0], 4, strength_in=0.5, strength="width")[0].tolist() == [1, 1, 0, 0]
