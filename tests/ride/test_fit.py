from itertools import combinations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import linprog

from ridebook.errors import LaneError
from ridebook.ride.fit import fewest_points
from tests.timing import best_cpu_s


def lane_exists(frames: np.ndarray, low_db: np.ndarray, high_db: np.ndarray, chosen: tuple[int, ...]) -> bool:
    """Whether some gains of breakpoints at the gates `chosen` pass all gates: a linear programme."""
    basis = np.array([np.interp(frames, frames[list(chosen)], row) for row in np.eye(len(chosen))]).T
    answer = linprog(
        np.zeros(len(chosen)),
        A_ub=np.vstack([basis, -basis]),
        b_ub=np.concatenate([high_db, -low_db]) + 1e-7,
        bounds=(None, None),
        method="highs",
    )
    return answer.status == 0


@st.composite
def gates(draw, most=9):
    size = draw(st.integers(1, most))
    steps = draw(st.lists(st.integers(1, 40), min_size=size, max_size=size))
    middles = draw(st.lists(st.integers(-20, 20), min_size=size, max_size=size))
    halves = draw(st.lists(st.integers(0, 12), min_size=size, max_size=size))
    middle_db, half_db = np.array(middles) / 4.0, np.array(halves) / 4.0
    return np.cumsum(steps), middle_db - half_db, middle_db + half_db, middle_db


@settings(max_examples=40, deadline=None)
@given(gates())
def test_no_lane_with_fewer_points_passes_the_gates(case):
    frames, low_db, high_db, wanted_db = case
    lane = fewest_points(frames, low_db, high_db, wanted_db)
    gains_db = lane.gain_db_at(frames)
    assert (gains_db >= low_db - 1e-6).all()
    assert (gains_db <= high_db + 1e-6).all()
    assert set(lane.frames.tolist()) <= set(frames.tolist())
    for count in range(1, len(lane.points)):
        for chosen in combinations(range(len(frames)), count):
            assert not lane_exists(frames, low_db + 1e-6, high_db - 1e-6, chosen)


def test_straight_pieces_come_back_exactly():
    frames = np.arange(0, 1000, 10)
    corners = [0, 300, 420, 700, 990]
    wanted_db = np.interp(frames, corners, [0.0, 0.0, 3.0, 3.0, -2.0])
    lane = fewest_points(frames, wanted_db - 1e-6, wanted_db + 1e-6, wanted_db)
    assert lane.frames.tolist() == corners[1:]
    np.testing.assert_allclose(lane.gain_db_at(frames), wanted_db, atol=2e-6)


def test_gains_lie_near_the_middle_where_the_points_allow():
    frames = np.array([0, 100, 120, 300])
    wanted_db = np.array([1.0, 1.0, 3.0, 3.0])
    lane = fewest_points(frames, wanted_db - 0.4, wanted_db + 0.4, wanted_db)
    np.testing.assert_allclose(lane.gain_db_at(frames), wanted_db, atol=1e-6)


def test_nothing_wanted_gives_an_empty_lane():
    frames = np.array([0, 10])
    assert fewest_points(frames, np.array([-1.0, -0.5]), np.array([0.0, 1.0]), np.zeros(2)).points == ()
    none = np.zeros(0)
    assert fewest_points(none.astype(np.int64), none, none, none).points == ()


def test_bad_gates_are_refused():
    two = np.array([0, 10])
    with pytest.raises(LaneError, match="must rise"):
        fewest_points(two[::-1], np.zeros(2), np.ones(2), np.zeros(2))
    with pytest.raises(LaneError, match="no gain passes at frame 10"):
        fewest_points(two, np.array([0.0, 2.0]), np.array([1.0, 1.0]), np.zeros(2))


def test_the_cost_of_a_fit_grows_with_the_song_and_not_with_its_square():
    short_s = best_cpu_s(lambda: fitted(200))
    long_s = best_cpu_s(lambda: fitted(1600), rounds_n=2)
    assert long_s < 24 * short_s
    assert len(fitted(400).points) <= 800


def fitted(plateaus_n):
    rng = np.random.default_rng(5)
    starts = np.cumsum(rng.integers(20, 120, plateaus_n))
    frames = np.sort(np.concatenate([starts, starts + rng.integers(8, 16, plateaus_n)]))
    wanted_db = np.repeat(np.round(rng.normal(0, 1.5, plateaus_n), 1), 2)
    return fewest_points(frames, wanted_db - 0.2, wanted_db + 0.2, wanted_db)
