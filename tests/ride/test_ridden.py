"""The vocal with its rides on: exact against a plain computation, and the quick way against the full one."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from ridebook.measure.measures import StemMeasures
from ridebook.ride.lane import Lane
from ridebook.ride.ridden import changed_span, peak_gain_db, ridden, ridden_again

RATE_HZ = 48000
FRAMES_N = RATE_HZ * 4


def vocal() -> StemMeasures:
    rng = np.random.default_rng(5)
    return StemMeasures(RATE_HZ, FRAMES_N, rng.random(400) * 1e-3)


lanes = st.lists(
    st.tuples(st.integers(0, FRAMES_N - 1), st.sampled_from([-3.0, 0.0, 1.5, 4.0])),
    max_size=12,
    unique_by=lambda p: p[0],
).map(lambda pairs: Lane.from_pairs(sorted(pairs)))


def test_gain_is_on_the_power_of_every_cell() -> None:
    lane = Lane.from_pairs([(0, 0.0), (FRAMES_N, 12.0)])
    made = ridden(vocal(), lane, -2.0)
    gain_db = 10 * np.log10(made.cell_power / vocal().cell_power)
    middle_s = (np.arange(400) + 0.5) / 100
    assert gain_db == pytest.approx(3.0 * middle_s - 2.0, abs=1e-9)


def test_an_empty_lane_leaves_the_trim() -> None:
    assert ridden(vocal(), Lane(), 6.0).cell_power == pytest.approx(vocal().cell_power * 10**0.6)


@given(lanes, lanes)
def test_the_quick_way_is_the_full_way(before: Lane, after: Lane) -> None:
    quick = ridden_again(vocal(), ridden(vocal(), before, 1.0), before, after, 1.0)
    assert quick.cell_power == pytest.approx(ridden(vocal(), after, 1.0).cell_power, rel=1e-12)


@given(lanes, lanes)
def test_lanes_agree_outside_what_changed(before: Lane, after: Lane) -> None:
    first_n, last_n = changed_span(before, after, FRAMES_N)
    frames = np.arange(0, FRAMES_N, 97)
    outside = (frames < first_n) | (frames >= last_n)
    assert before.gain_db_at(frames)[outside] == pytest.approx(after.gain_db_at(frames)[outside])


def test_a_moved_point_changes_only_its_neighbourhood() -> None:
    before = Lane.from_pairs([(0, 0.0), (1000, 1.0), (2000, 1.0), (3000, 0.0)])
    after = Lane.from_pairs([(0, 0.0), (1000, 2.0), (2000, 1.0), (3000, 0.0)])
    assert changed_span(before, after, FRAMES_N) == (0, 2000)
    assert changed_span(before, before, FRAMES_N) == (0, 0)


def test_peak_of_a_bin_sees_a_point_between_its_edges() -> None:
    lane = Lane.from_pairs([(100, 0.0), (150, 5.0), (200, 0.0)])
    highest = peak_gain_db(lane, 1.0, np.array([0, 50, 300, 400]))
    assert highest.tolist() == [1.0, 6.0, 1.0]
