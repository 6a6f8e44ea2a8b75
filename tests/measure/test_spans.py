"""Loudness and balance of spans against the samples themselves."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ridebook.measure.kweight import KFilter
from ridebook.measure.measures import ABSENT_LUFS, Measures, StemMeasures
from ridebook.measure.spans import balance_lu, mean_balance_lu, span_loudness_lufs, span_power
from tests.published.signals import measured

RATE_HZ = 44_100


def sung(seed: int, length_s: float = 3.0, rate_hz: int = RATE_HZ) -> np.ndarray:
    """A tone with harmonics and a slow swell, float32, shape (frames, 1)."""
    rng = np.random.default_rng(seed)
    at_s = np.arange(round(length_s * rate_hz)) / rate_hz
    tone = sum(np.sin(2 * np.pi * 220 * k * at_s + rng.uniform(0, 6)) / k for k in range(1, 8))
    return (0.1 * tone * (1 + 0.7 * np.sin(2 * np.pi * 2.3 * at_s)))[:, None].astype(np.float32)


def stem_of(cell_lufs: list[float], rate_hz: int = 8_000) -> StemMeasures:
    power = 10 ** ((np.array(cell_lufs) + 0.691) / 10)
    return StemMeasures(rate_hz, len(cell_lufs) * rate_hz // 100, power)


def pair_of(vocal_lufs: list[float], bed_lufs: list[float], spread: bool = False) -> Measures:
    bed = stem_of(bed_lufs)
    return Measures(stem_of(vocal_lufs), (bed,), bed, vocal_spread=spread)


def test_a_span_on_the_grid_is_exact() -> None:
    samples = sung(1)
    stem = measured(samples, RATE_HZ)
    power = np.concatenate(list(KFilter(RATE_HZ).stretches(samples[:, 0]))) ** 2
    starts, ends = np.array([0, 441, 44_100, 100_107]), np.array([441, 88_200, 61_740, 132_300])
    expected = [-0.691 + 10 * np.log10(power[low:high].mean()) for low, high in zip(starts, ends)]
    np.testing.assert_allclose(span_loudness_lufs(stem, starts, ends), expected, atol=1e-6)


@settings(max_examples=40, deadline=None)
@given(start_n=st.integers(0, 120_000), length_n=st.integers(4_410, 12_000))
def test_any_span_of_100_ms_or_more_is_near(start_n: int, length_n: int) -> None:
    samples = SUNG
    end_n = min(start_n + length_n, len(samples))
    if end_n - start_n < 4_410:
        start_n = end_n - 4_410
    expected = -0.691 + 10 * np.log10((FILTERED[start_n:end_n] ** 2).mean())
    # Inside a cell energy is taken as even: off by less than a cell's unevenness at either end.
    assert float(span_loudness_lufs(SUNG_STEM, start_n, end_n)) == pytest.approx(expected, abs=0.25)


SUNG = sung(2)
SUNG_STEM = measured(SUNG, RATE_HZ)
FILTERED = np.concatenate(list(KFilter(RATE_HZ).stretches(SUNG[:, 0])))


def test_energies_of_neighbours_add_up() -> None:
    edges = np.array([0, 1, 1_000, 1_001, 50_000, 132_299, 132_300])
    parts = span_power(SUNG_STEM, edges[:-1], edges[1:]) * np.diff(edges)
    assert parts.sum() == pytest.approx(float(span_power(SUNG_STEM, 0, 132_300)) * 132_300)


def test_frames_outside_count_as_silence() -> None:
    inside = float(span_power(SUNG_STEM, 122_300, 132_300))
    assert float(span_power(SUNG_STEM, 122_300, 142_300)) == pytest.approx(inside / 2)
    assert float(span_loudness_lufs(SUNG_STEM, 140_000, 150_000)) == -np.inf


@pytest.mark.parametrize(("start_n", "end_n"), [(5, 5), (6, 5)])
def test_an_empty_span_is_refused(start_n: int, end_n: int) -> None:
    with pytest.raises(ValueError, match="end after its start"):
        span_power(SUNG_STEM, np.array([0, start_n]), np.array([10, end_n]))


def test_balance() -> None:
    measures = pair_of([-20] * 10 + [-30] * 10, [-24] * 20)
    np.testing.assert_allclose(balance_lu(measures, np.array([0, 800]), np.array([800, 1600])), [4, -6], atol=1e-9)


def test_balance_without_a_bed_is_not_a_number() -> None:
    measures = pair_of([-20] * 30, [-24] * 10 + [ABSENT_LUFS - 0.1] * 10 + [-np.inf] * 10)
    found = balance_lu(measures, np.array([0, 800, 1600]), np.array([800, 1600, 2400]))
    assert found[0] == pytest.approx(4)
    assert np.isnan(found[1:]).all()


def test_balance_of_a_silent_vocal() -> None:
    assert float(balance_lu(pair_of([-np.inf] * 10, [-24] * 10), 0, 800)) == -np.inf


@pytest.mark.parametrize("law_db", [0.0, -3.0, -4.5, -6.0])
def test_centre_law(law_db: float) -> None:
    levels = [-20.0] * 10
    assert float(balance_lu(pair_of(levels, levels, spread=True), 0, 800, law_db)) == pytest.approx(law_db)
    assert float(balance_lu(pair_of(levels, levels), 0, 800, law_db)) == pytest.approx(0.0)
    assert mean_balance_lu(pair_of(levels, levels, spread=True), 0, 800, law_db) == pytest.approx(law_db)


def test_mean_balance_is_of_powers_and_leaves_out_what_has_no_bed() -> None:
    measures = pair_of([-20] * 10 + [-30] * 20 + [0] * 10, [-24] * 10 + [-14] * 20 + [-80] * 10)
    starts, ends = np.array([0, 800, 2400]), np.array([800, 2400, 3200])
    vocal = (10 * 10**-2.0 + 20 * 10**-3.0) / 30
    bed = (10 * 10**-2.4 + 20 * 10**-1.4) / 30
    assert mean_balance_lu(measures, starts, ends) == pytest.approx(10 * np.log10(vocal / bed))
    assert np.isnan(mean_balance_lu(measures, starts[2:], ends[2:]))
