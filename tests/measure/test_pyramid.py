"""Extremes for drawing: no sample lies outside them, and they are no wider than they need be."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ridebook.measure.pyramid import BIN_N, Pyramid, PyramidAccumulator


def built(samples: np.ndarray, cuts: list[int]) -> Pyramid:
    gather = PyramidAccumulator()
    for block in np.split(samples, sorted(cut for cut in cuts if cut <= len(samples))):
        gather.feed(block)
    return gather.finish()


def noise(seed: int, frames_n: int) -> np.ndarray:
    return np.random.default_rng(seed).standard_normal(frames_n).astype(np.float32)


@settings(max_examples=60, deadline=None)
@given(
    seed=st.integers(0, 1000),
    frames_n=st.integers(1, 40_000),
    cuts=st.lists(st.integers(0, 40_000), max_size=5),
    data=st.data(),
    bins_n=st.integers(1, 300),
)
def test_bounds_hold(seed: int, frames_n: int, cuts: list[int], data: st.DataObject, bins_n: int) -> None:
    samples = noise(seed, frames_n)
    start_n = data.draw(st.integers(-5_000, frames_n - 1))
    stop_n = data.draw(st.integers(max(start_n, 0) + 1, frames_n + 5_000))
    pyramid = built(samples, cuts)
    low, high = pyramid.envelope(start_n, stop_n, bins_n)
    assert low.shape == high.shape == (bins_n,)
    assert low.dtype == high.dtype == np.float32
    edges = start_n + np.arange(bins_n + 1) * (stop_n - start_n) / bins_n
    for k in range(bins_n):
        first, after = max(int(np.floor(edges[k])), 0), min(int(np.ceil(edges[k + 1])), frames_n)
        if first >= after:
            assert low[k] == high[k] == 0.0
            continue
        part = samples[first:after]
        assert low[k] <= part.min()
        assert high[k] >= part.max()
        # Not wider than the part and a quarter of it (or one bin) at either side.
        more_n = max(BIN_N, int((stop_n - start_n) / bins_n) // 4 + 1)
        around = samples[max(first - more_n, 0) : after + more_n]
        assert low[k] >= around.min()
        assert high[k] <= around.max()


def test_outside_is_silence() -> None:
    low, high = built(noise(1, 10_000), []).envelope(-10_000, 30_000, 40)
    inside = np.arange(40) // 10 == 1
    assert (low[inside] < -1).all()
    assert (high[inside] > 1).all()
    assert not low[~inside].any()
    assert not high[~inside].any()


def test_arrays_hold_all_of_it() -> None:
    pyramid = built(noise(2, 12_345), [5_000])
    again = Pyramid.from_arrays(pyramid.to_arrays())
    for found, expected in zip(again.envelope(100, 12_000, 77), pyramid.envelope(100, 12_000, 77), strict=True):
        np.testing.assert_array_equal(found, expected)
    assert again.frames_n == 12_345


@pytest.mark.parametrize("bins_n", [1, 10])
def test_nothing(bins_n: int) -> None:
    low, high = built(noise(1, 0), []).envelope(0, 100, bins_n)
    assert not low.any()
    assert not high.any()
