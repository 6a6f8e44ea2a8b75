from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from ridebook.audio.gain import GainCurve, scratch_samples_n
from ridebook.errors import LaneError

gains_db = st.sampled_from([0.0, -3.0, 2.5]) | st.floats(-60.0, 24.0)


@st.composite
def curves(draw: st.DrawFn) -> GainCurve:
    frames = sorted(draw(st.sets(st.integers(-3_000, 60_000), max_size=12)))
    return GainCurve(np.array(frames), np.array([draw(gains_db) for _ in frames]))


def truth_db(curve: GainCurve, start_n: int, stop_n: int) -> np.ndarray:
    at = np.arange(start_n, stop_n)
    return np.interp(at, curve.frames, curve.gains_db) if len(curve.frames) else np.zeros(len(at))


@given(curves(), st.integers(-5_000, 65_000), st.integers(1, 20_000))
def test_block_is_the_straight_line_in_db(curve, start_n, length_n):
    block = np.broadcast_to(curve.block(start_n, start_n + length_n), (length_n,))
    error_db = 20.0 * np.log10(block) - truth_db(curve, start_n, start_n + length_n)
    assert np.abs(error_db).max() < 1e-9


@given(curves(), st.integers(-5_000, 65_000), st.integers(1, 9_000), st.integers(1, 6))
def test_pieces_cover_the_block_and_repeat_for_channels(curve, start_n, length_n, channels_n):
    scratch = np.full(scratch_samples_n(length_n * channels_n, channels_n), np.nan)
    at_n = start_n
    for from_n, to_n, factor in curve.pieces(start_n, start_n + length_n, channels_n, scratch):
        assert from_n == at_n < to_n
        expected = np.repeat(10.0 ** (truth_db(curve, from_n, to_n) / 20.0), channels_n)
        np.testing.assert_allclose(np.broadcast_to(factor, expected.shape), expected, rtol=1e-12)
        at_n = to_n
    assert at_n == start_n + length_n


def test_flat_stretches_are_one_number():
    curve = GainCurve(np.array([100, 200, 300, 400]), np.array([-6.0, -6.0, -6.0, 0.0]))
    assert curve.block(0, 300) == 10.0 ** (-6.0 / 20.0)
    assert curve.block(400, 10**9) == 1.0
    assert isinstance(curve.block(250, 350), np.ndarray)
    assert GainCurve(np.array([]), np.array([])).block(-5, 5) == 1.0


def test_breakpoints_at_0_db_are_exactly_unity():
    curve = GainCurve(np.array([10, 1_000, 3_000]), np.array([-3.0, 0.0, 4.0]))
    assert curve.block(1_000, 1_001)[0] == 1.0
    assert GainCurve(np.array([7]), np.array([0.0])).block(0, 100) == 1.0


def test_empty_block():
    assert np.shape(GainCurve(np.array([5]), np.array([1.0])).block(7, 7)) == (0,)


@pytest.mark.parametrize(
    ("frames", "gains", "message"),
    [
        ([5, 5], [0.0, 1.0], "frame 5 is followed by 5"),
        ([5, 3], [0.0, 1.0], "frame 5 is followed by 3"),
        ([1, 2], [0.0, np.nan], "frame 2 is not a number"),
        ([1, 2], [-np.inf, 0.0], "frame 1 is not a number"),
        ([1, 2], [0.0], "2 frames of breakpoints were given with 1 gains"),
    ],
)
def test_what_is_no_curve(frames, gains, message):
    with pytest.raises(LaneError, match=message):
        GainCurve(np.array(frames), np.array(gains))
