"""Dense lanes, held against a receiver that ramps in amplitude, frame by frame."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from hypothesis import given
from hypothesis import settings as runs
from hypothesis import strategies as st

from ridebook.errors import SettingError
from ridebook.exchange.dense import amplitude_deviation_db, dense_lane, widest_move_db
from ridebook.ride.lane import Lane
from tests.session.made import lanes


def amplitude_read_db(lane, frames):
    """Lane as a receiver has it that ramps in amplitude."""
    return 20 * np.log10(np.interp(frames, lane.frames, 10 ** (lane.gains_db / 20)))


@pytest.mark.parametrize(("move_db", "off_db"), [(1, 0.014), (3, 0.13), (6, 0.5), (12, 2.0)])
def test_the_deviation_is_what_a_receiver_has(move_db, off_db):
    part = np.linspace(0, 1, 100_001)
    for sign in (1, -1):
        ramp = 20 * np.log10(1 + (10 ** (sign * move_db / 20) - 1) * part)
        assert amplitude_deviation_db(sign * move_db) == pytest.approx((ramp - sign * move_db * part).max(), abs=1e-8)
    assert amplitude_deviation_db(move_db) == pytest.approx(off_db, rel=0.04)


def test_the_deviation_is_smooth_and_rises_where_its_terms_cancel():
    moves_db = np.geomspace(1e-6, 60, 400)
    off_db = np.array([amplitude_deviation_db(move_db) for move_db in moves_db])
    assert (np.diff(off_db) > 0).all()
    small = moves_db < 0.3
    assert off_db[small] == pytest.approx(np.log(10) / 160 * moves_db[small] ** 2, rel=1e-3)
    assert amplitude_deviation_db(0) == 0.0


def test_the_widest_move_is_just_within():
    for within_db in (0.001, 0.05, 0.5, 5.0):
        widest_db = widest_move_db(within_db)
        assert amplitude_deviation_db(widest_db) <= within_db < amplitude_deviation_db(widest_db + 1e-6)
    with pytest.raises(SettingError, match="tolerance"):
        widest_move_db(0.0)


@given(lane=lanes(last_n=40_000), within_db=st.sampled_from([0.01, 0.05, 0.2]))
@runs(max_examples=60, deadline=None)
def test_either_reading_stays_within(lane, within_db):
    dense = dense_lane(lane, within_db)
    frames = np.arange(-10, 40_011)
    assert np.abs(dense.gain_db_at(frames) - lane.gain_db_at(frames)).max() < 1e-9
    assert set(lane.frames.tolist()) <= set(dense.frames.tolist())
    if lane.points:
        assert np.abs(amplitude_read_db(dense, frames) - lane.gain_db_at(frames)).max() <= within_db + 1e-9


@given(length_n=st.integers(1, 11), move_db=st.floats(-30, 30), within_db=st.sampled_from([0.02, 0.05, 0.3]))
@runs(max_examples=60, deadline=None)
def test_no_fewer_points_would_do(length_n, move_db, within_db):
    dense = dense_lane(Lane.from_pairs([(0, 1.0), (length_n, 1.0 + move_db)]), within_db)
    lane = Lane.from_pairs([(0, 1.0), (length_n, 1.0 + move_db)])
    extra_n = len(dense.points) - 2
    # Between frames nothing is heard: a receiver is looked at where its pieces have a frame inside.
    frames = np.arange(length_n + 1)
    for inside in itertools.combinations(range(1, length_n), max(extra_n - 1, 0)) if extra_n else ():
        at_n = [0, *inside, length_n]
        fewer = Lane.from_pairs(zip(at_n, lane.gain_db_at(at_n)))
        fine = np.arange(0, length_n, 1 / 64)
        longer = np.repeat(np.diff(at_n) > 1, np.diff(at_n) * 64)
        off_db = np.abs(amplitude_read_db(fewer, fine) - lane.gain_db_at(fine))[longer]
        assert off_db.max(initial=0.0) > within_db * (1 - 0.01)
    assert np.abs(amplitude_read_db(dense, frames) - lane.gain_db_at(frames)).max() <= within_db + 1e-9


def test_a_lane_that_needs_nothing_is_as_it_was():
    for lane in (Lane(), Lane.from_pairs([(5, 3.0)]), Lane.from_pairs([(0, 0.0), (480, 1.8), (960, 0.0)])):
        assert dense_lane(lane) == lane
    assert len(dense_lane(Lane.from_pairs([(0, 0.0), (48000, 6.0)])).points) == 5  # four moves of 1.5 dB
