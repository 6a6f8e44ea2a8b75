"""The parts of the search, against plain arithmetic."""

from itertools import combinations, pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ridebook.segment.activity import moving_mean, runs, valley_db
from ridebook.segment.borders import Scorer, best_row, forced
from ridebook.segment.change import Means, moving_max
from ridebook.segment.nuclei import tops

CURVE = st.lists(st.floats(-50.0, 50.0), min_size=1, max_size=60).map(np.array)


@given(CURVE, st.integers(0, 20))
def test_moving_max(curve: np.ndarray, half_n: int) -> None:
    wanted = [curve[max(0, k - half_n) : k + half_n + 1].max() for k in range(len(curve))]
    assert moving_max(curve, half_n).tolist() == wanted


@given(CURVE, st.sampled_from([1, 3, 5, 9]))
def test_moving_mean(curve: np.ndarray, length_n: int) -> None:
    half = length_n // 2
    padded = np.pad(curve, half, mode="edge")
    wanted = [padded[k : k + length_n].mean() for k in range(len(curve))]
    np.testing.assert_allclose(moving_mean(curve, length_n), wanted, atol=1e-9)


@given(CURVE, st.integers(1, 10), st.integers(1, 10))
def test_rise(curve: np.ndarray, before_n: int, after_n: int) -> None:
    rise = Means(curve).rise(before_n, after_n)
    for k in range(1, len(curve)):
        wanted = curve[k : k + after_n].mean() - curve[max(0, k - before_n) : k].mean()
        assert rise[k] == pytest.approx(wanted, abs=1e-9)
    assert rise[0] == 0.0


@given(st.lists(st.booleans(), max_size=50))
def test_runs(mask: list[bool]) -> None:
    covered = np.zeros(len(mask), bool)
    for start, end in runs(np.array(mask, bool)):
        assert start < end
        covered[start:end] = True
        assert start == 0 or not mask[start - 1]
        assert end == len(mask) or not mask[end]
    assert covered.tolist() == mask


def test_the_valley_parts_two_crowds() -> None:
    rng = np.random.default_rng(0)
    levels = np.concatenate([rng.normal(-55, 3, 400), rng.normal(-20, 4, 1600)])
    assert -45 < valley_db(levels) < -30


def test_tops_stand_out() -> None:
    curve = np.array([0.0, 3.0, 1.0, 1.5, 0.8, 4.0, 3.5, 3.9, 0.0])
    assert tops(curve, 1.0).tolist() == [1, 5]
    assert tops(curve, 0.3).tolist() == [1, 3, 5, 7]
    assert tops(np.zeros(0), 1.0).tolist() == []


SCORER = Scorer(bias=0.0, weights=(), length_s=1.0, spread=0.6, trust=0.7)


def row_value(cells: np.ndarray, scores: np.ndarray, row: tuple[int, ...], longest_s: float) -> float:
    """What a row of borders is worth, by the definition."""
    value = float(scores[list(row)].sum())
    for a, b in pairwise(row):
        length_s = (cells[b] - cells[a]) / 100
        penalty = SCORER.trust * np.log(length_s / SCORER.length_s) ** 2 / (2 * SCORER.spread**2)
        value -= min(penalty, 0.5 * SCORER.trust) if length_s > longest_s else penalty
    return value


@settings(max_examples=150, deadline=None)
@given(
    st.lists(st.integers(1, 700), min_size=1, max_size=9, unique=True).map(sorted),
    st.data(),
)
def test_the_best_row_of_borders_is_the_best_of_all(cells: list[int], data: st.DataObject) -> None:
    scores = np.array([data.draw(st.floats(-4.0, 4.0)) for _ in cells])
    must = np.array([data.draw(st.booleans()) for _ in cells]) & (data.draw(st.integers(0, 2)) == 0)
    positions = np.array(cells)
    least_s = 0.15
    chosen = best_row(positions, forced(scores, must), SCORER, least_s)
    assert set(np.flatnonzero(must)) <= set(chosen.tolist())

    def allowed(row: tuple[int, ...]) -> bool:
        close = all(positions[b] - positions[a] >= 15 or must[a] or must[b] for a, b in pairwise(row))
        return close and set(np.flatnonzero(must)) <= set(row)

    rows = [row for n in range(1, len(cells) + 1) for row in combinations(range(len(cells)), n) if allowed(row)]
    best = max(row_value(positions, scores, row, 3.5) for row in rows)
    assert allowed(tuple(chosen))
    assert row_value(positions, scores, tuple(chosen), 3.5) == pytest.approx(best, abs=1e-9)
