from itertools import combinations, pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from ridebook.errors import LaneError
from ridebook.measure.measures import StemMeasures
from ridebook.ride import edits
from ridebook.ride.lane import Breakpoint, Lane

FRAMES_N = 4000
every = np.arange(-50, FRAMES_N + 50)

gains = st.floats(-12.0, 12.0, allow_nan=False).map(lambda value: round(value, 3))
lanes = st.dictionaries(st.integers(0, FRAMES_N), gains, max_size=12).map(
    lambda points: Lane.from_pairs(sorted(points.items()))
)
stretches = st.tuples(st.integers(0, FRAMES_N - 20), st.integers(12, FRAMES_N)).map(
    lambda pair: (pair[0], min(pair[0] + pair[1], FRAMES_N))
)


@st.composite
def chosen_points(draw):
    lane = draw(lanes.filter(lambda lane: len(lane.points) > 0))
    indices = draw(st.sets(st.integers(0, len(lane.points) - 1), min_size=1))
    return lane, sorted(indices)


def assert_same(before: Lane, after: Lane, where: np.ndarray, tolerance_db: float = 1e-9) -> None:
    np.testing.assert_allclose(after.gain_db_at(where), before.gain_db_at(where), atol=tolerance_db, rtol=0)


def outside(start_n: int, end_n: int) -> np.ndarray:
    return every[(every <= start_n) | (every >= end_n)]


@given(lanes, st.integers(0, FRAMES_N), gains)
def test_added_breakpoint_is_there_and_replaces_one_at_its_frame(lane, frame_n, gain_db):
    added = edits.add_breakpoint(lane, frame_n, gain_db)
    assert added.gain_db_at([frame_n])[0] == gain_db
    assert len(added.points) == len(lane.points) + (frame_n not in lane.frames)
    others = [point for point in added.points if point.frame_n != frame_n]
    assert others == [point for point in lane.points if point.frame_n != frame_n]


@given(chosen_points())
def test_deleting_leaves_the_others(chosen):
    lane, indices = chosen
    rest = edits.delete_breakpoints(lane, indices)
    assert list(rest.points) == [point for i, point in enumerate(lane.points) if i not in indices]


def test_a_breakpoint_that_is_not_there_cannot_be_named():
    lane = Lane.from_pairs([(0, 0.0), (10, 1.0)])
    for edit in (edits.delete_breakpoints, edits.move_breakpoints):
        with pytest.raises(LaneError, match="numbered 0 to 1"):
            edit(lane, [2])
    with pytest.raises(LaneError, match="numbered 0 to 1"):
        edits.scale_breakpoints(lane, [-1], 2.0)


@given(chosen_points(), st.integers(-5000, 5000), st.floats(-30, 30))
def test_moved_points_keep_their_shape_and_never_pass_the_others(chosen, by_n, by_db):
    lane, indices = chosen
    moved = edits.move_breakpoints(lane, indices, by_n, by_db, -12.0, 12.0)
    assert len(moved.points) == len(lane.points)
    others = [i for i in range(len(lane.points)) if i not in indices]
    assert [moved.points[i] for i in others] == [lane.points[i] for i in others]
    shifts_n = moved.frames[indices] - lane.frames[indices]
    assert len(set(shifts_n.tolist())) == 1
    assert abs(shifts_n[0]) <= abs(by_n)
    assert shifts_n[0] * by_n >= 0
    shifts_db = moved.gains_db[indices] - lane.gains_db[indices]
    np.testing.assert_allclose(shifts_db, shifts_db[0], atol=1e-12)
    assert moved.frames[0] >= 0
    assert moved.gains_db.min() >= -12.0 - 1e-12
    assert moved.gains_db.max() <= 12.0 + 1e-12


def test_a_move_goes_as_far_as_it_may():
    lane = Lane.from_pairs([(0, 0.0), (100, 1.0), (200, 2.0), (300, 0.0)])
    moved = edits.move_breakpoints(lane, [1, 2], by_n=500, by_db=9.0, lowest_db=-6.0, highest_db=6.0)
    assert moved == Lane.from_pairs([(0, 0.0), (199, 5.0), (299, 6.0), (300, 0.0)])
    assert edits.move_breakpoints(lane, [0], by_n=-5) == lane


@given(chosen_points(), st.floats(-3, 3))
def test_scaling_multiplies_and_holds_the_limits(chosen, factor):
    lane, indices = chosen
    scaled = edits.scale_breakpoints(lane, indices, factor, -6.0, 6.0)
    expected = lane.gains_db.copy()
    expected[indices] = np.clip(expected[indices] * factor, -6.0, 6.0)
    np.testing.assert_array_equal(scaled.gains_db, expected)
    np.testing.assert_array_equal(scaled.frames, lane.frames)


@given(lanes, stretches, st.floats(-6, 6), st.integers(0, 300), st.integers(0, 300), st.integers(2, 200))
def test_a_nudge_raises_the_span_and_nothing_far_from_it(lane, span, by_db, before_n, after_n, ramp_n):
    start_n, end_n = span
    cell = (start_n - before_n, end_n + after_n)
    nudged = edits.nudge_span(lane, start_n, end_n, by_db, cell, ramp_n)
    inner = every[(every >= start_n + ramp_n) & (every <= end_n - ramp_n)]
    np.testing.assert_allclose(nudged.gain_db_at(inner), lane.gain_db_at(inner) + by_db, atol=1e-9)
    assert_same(lane, nudged, outside(start_n - ramp_n, end_n + ramp_n))
    change_db = nudged.gain_db_at(every) - lane.gain_db_at(every)
    assert (change_db * np.sign(by_db) >= -1e-9).all()
    assert np.abs(change_db).max() == pytest.approx(abs(by_db), abs=1e-9)
    back = edits.nudge_span(nudged, start_n, end_n, -by_db, cell, ramp_n)
    assert_same(lane, back, every)


def test_ramps_of_a_nudge_lie_in_the_gaps():
    nudged = edits.nudge_span(Lane(), 1000, 2000, 2.0, (500, 2300), 200)
    assert nudged == Lane.from_pairs([(800, 0.0), (1000, 2.0), (2000, 2.0), (2200, 0.0)])
    narrow = edits.nudge_span(Lane(), 1000, 2000, 2.0, (850, 2000), 200)
    assert narrow == Lane.from_pairs([(850, 0.0), (1000, 2.0), (1900, 2.0), (2100, 0.0)])


def test_nudging_up_and_down_leaves_no_points_behind():
    there = edits.nudge_span(Lane(), 1000, 2000, 0.5, (500, 2300), 200)
    assert edits.nudge_span(there, 1000, 2000, -0.5, (500, 2300), 200).gain_db_at(every) == pytest.approx(0.0)
    assert len(edits.nudge_span(there, 1000, 2000, 0.5, (500, 2300), 200).points) == 4


def test_a_nudge_holds_the_limits():
    lane = Lane.from_pairs([(0, 5.0)])
    nudged = edits.nudge_span(lane, 1000, 2000, 3.0, (500, 2300), 200, -6.0, 6.0)
    assert nudged.gain_db_at(every).max() == 6.0


@given(lanes, stretches, lanes, st.integers(1, 300))
def test_a_replaced_cell_holds_its_points_and_leaves_the_rest(lane, cell, shape, ramp_n):
    start_n, end_n = cell
    replaced = edits.replace_cell(lane, start_n, end_n, shape.points, ramp_n)
    where = outside(start_n, end_n)
    assert_same(lane, replaced, where[where > 0])
    inner = every[(every >= start_n + ramp_n) & (every <= end_n - ramp_n)]
    assert_same(shape, replaced, inner)
    gains_db = np.concatenate([replaced.gains_db, [0.0]])
    bounds = np.concatenate([lane.gains_db, shape.gains_db, [0.0]])
    assert gains_db.min() >= bounds.min() - 1e-9
    assert gains_db.max() <= bounds.max() + 1e-9
    again = edits.replace_cell(replaced, start_n, end_n, shape.points, ramp_n)
    assert_same(replaced, again, every[every > 0])


@given(lanes, st.lists(st.integers(1, FRAMES_N - 1), min_size=1, max_size=5, unique=True), st.integers(1, 100))
def test_cells_that_touch_give_the_whole_shape(shape, borders, ramp_n):
    edges = [0, *sorted(borders), FRAMES_N]
    cells = [(a, b, shape.points) for a, b in pairwise(edges)]
    whole = edits.replace_cells(Lane.from_pairs([(7, 3.0)]), cells, ramp_n, FRAMES_N)
    assert_same(shape, whole, np.arange(FRAMES_N))


def test_the_first_and_last_cell_are_joined_to_nothing():
    lane = edits.replace_cell(Lane(), 0, 1000, [(0, 2.0)], 100, frames_n=1000)
    assert lane == Lane.from_pairs([(1000, 2.0)])


def test_overlapping_or_empty_cells_are_refused():
    with pytest.raises(LaneError, match="overlap"):
        edits.replace_cells(Lane(), [(0, 100, ()), (50, 200, ())], 10)
    with pytest.raises(LaneError, match="end after its start"):
        edits.replace_cell(Lane(), 100, 100, (), 10)


@given(lanes, stretches, gains, st.integers(1, 300))
def test_a_flattened_stretch_is_flat(lane, stretch, gain_db, ramp_n):
    start_n, end_n = stretch
    flat = edits.replace_cell(lane, start_n, end_n, [(start_n, gain_db)], ramp_n)
    inner = every[(every >= start_n + ramp_n) & (every <= end_n - ramp_n)]
    np.testing.assert_allclose(flat.gain_db_at(inner), gain_db, atol=1e-9)
    where = outside(start_n, end_n)
    assert_same(lane, flat, where[where > 0])


@given(lanes, st.floats(0, 3))
def test_thinning_stays_within_its_tolerance_with_the_fewest_points(lane, tolerance_db):
    thinned = edits.thin(lane, tolerance_db)
    assert np.abs(thinned.gain_db_at(every) - lane.gain_db_at(every)).max(initial=0.0) <= tolerance_db + 1e-9
    assert set(thinned.points) <= set(lane.points)
    if len(lane.points) < 3:
        assert thinned == lane
        return
    inner = lane.points[1:-1]
    for count in range(len(thinned.points) - 2):
        for few in combinations(inner, count):
            candidate = Lane((lane.points[0], *few, lane.points[-1]))
            assert np.abs(candidate.gain_db_at(lane.frames) - lane.gains_db).max() > tolerance_db


@given(lanes, stretches)
def test_thinning_a_stretch_keeps_what_is_outside(lane, stretch):
    start_n, end_n = stretch
    thinned = edits.thin(lane, 2.0, start_n, end_n)
    kept = [point for point in lane.points if not start_n <= point.frame_n <= end_n]
    assert [point for point in thinned.points if not start_n <= point.frame_n <= end_n] == kept


def test_thinning_wants_a_tolerance():
    with pytest.raises(LaneError, match="0 or more"):
        edits.thin(Lane(), float("nan"))


@given(lanes, st.dictionaries(st.integers(0, FRAMES_N), gains, min_size=1, max_size=60), st.integers(1, 100))
def test_a_drawn_curve_is_followed_within_the_tolerance(lane, drawn, ramp_n):
    frames = sorted(drawn)
    result = edits.draw_freehand(lane, frames, [drawn[frame] for frame in frames], 0.5, ramp_n)
    curve = Lane.from_pairs(sorted(drawn.items()))
    where = np.arange(frames[0], frames[-1] + 1)
    assert np.abs(result.gain_db_at(where) - curve.gain_db_at(where)).max() <= 0.5 + 1e-9
    away = outside(frames[0] - ramp_n, frames[-1] + ramp_n)
    assert_same(lane, result, away[away >= 0] if frames[0] >= ramp_n else away[away >= frames[0]])


def test_a_line_may_be_drawn_backward():
    lane = edits.draw_line(Lane(), 2000, 3.0, 1000, 1.0, ramp_n=100)
    assert lane == Lane.from_pairs([(900, 0.0), (1000, 1.0), (2000, 3.0), (2100, 0.0)])


def test_a_drawn_curve_has_a_gain_at_each_frame():
    with pytest.raises(LaneError, match="2 and 1 came"):
        edits.draw_freehand(Lane(), [1, 2], [0.0], 0.1, 10)


@given(lanes, stretches, stretches, st.integers(1, 50))
def test_carried_rides_are_stretched_to_fit(lane, source, target, ramp_n):
    carried = edits.carry(lane, source, target, ramp_n)
    where = outside(*target)
    assert_same(lane, carried, where[where > 0])
    assert carried.gains_db.max(initial=0.0) <= lane.gains_db.max(initial=0.0) + 1e-9


def test_rides_are_carried_to_a_longer_repeat():
    lane = Lane.from_pairs([(100, 0.0), (200, 2.0), (300, 0.0)])
    carried = edits.carry(lane, (0, 400), (1000, 1800), ramp_n=50)
    np.testing.assert_allclose(carried.gain_db_at([1200, 1300, 1400, 1500, 1600]), [0.0, 1.0, 2.0, 1.0, 0.0])


def test_the_ride_of_a_span_is_weighted_by_power():
    power = np.zeros(100)
    power[10:20], power[20:30] = 3.0, 1.0
    vocal = StemMeasures(rate_hz=1000, frames_n=1000, cell_power=power)
    lane = Lane.from_pairs([(199, 2.0), (200, -2.0)])
    assert edits.mean_ride_db(lane, vocal, 100, 300) == pytest.approx((3 * 2.0 + 1 * -2.0) / 4)
    assert edits.mean_ride_db(lane, vocal, 150, 250) == pytest.approx((3 * 2.0 + 1 * -2.0) / 4)
    assert edits.mean_ride_db(lane, vocal, 500, 600) == pytest.approx(-2.0)
    assert edits.mean_ride_db(lane, vocal, 103, 105) == pytest.approx(2.0)


def test_breakpoints_of_edits_are_plain_numbers():
    lane = edits.nudge_span(Lane(), 10, 400, 1.0, (0, 500), 20)
    assert all(type(point) is Breakpoint and type(point.frame_n) is int for point in lane.points)
