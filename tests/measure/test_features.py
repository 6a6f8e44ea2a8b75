"""The vocal's features: on the grid, whatever the blocks, and right on tones."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ridebook.measure.features import BANDS_N, FLOOR_DB, FeatureAccumulator, VocalFeatures, band_edges_hz, mel
from ridebook.measure.loudness import CellPower


def features_of(samples: np.ndarray, rate_hz: int) -> VocalFeatures:
    accumulator = FeatureAccumulator(rate_hz)
    accumulator.feed(samples.astype(np.float32))
    return accumulator.finish()


def sine(frequency_hz: float, rate_hz: int, seconds: float = 1.0, amplitude: float = 0.1) -> np.ndarray:
    return amplitude * np.sin(2 * np.pi * frequency_hz * np.arange(round(seconds * rate_hz)) / rate_hz)


@pytest.mark.parametrize("rate_hz", [8000, 11025, 16000, 22050, 37800, 44100, 48000, 88200, 96000, 192000])
@pytest.mark.parametrize("extra_n", [0, 1, 37])
def test_one_row_for_each_cell_of_the_grid(rate_hz: int, extra_n: int) -> None:
    samples = np.zeros(rate_hz // 3 + extra_n)
    power = CellPower(rate_hz, [1.0])
    power.feed(samples[:, None])
    features = features_of(samples, rate_hz)
    assert features.cells_n == len(power.cell_power)
    assert features.frames_n == len(samples)
    assert features.bands_db.shape == (features.cells_n, BANDS_N)


@settings(max_examples=25, deadline=None)
@given(
    st.lists(st.integers(0, 6000), min_size=1, max_size=12), st.sampled_from([8000, 11025, 44100]), st.integers(1, 2)
)
def test_blocks_change_nothing(lengths_n: list[int], rate_hz: int, channels_n: int) -> None:
    rng = np.random.default_rng(sum(lengths_n))
    samples = (0.1 * rng.standard_normal((sum(lengths_n), channels_n))).astype(np.float32)
    whole = features_of(samples, rate_hz)
    accumulator = FeatureAccumulator(rate_hz)
    at = 0
    for length_n in lengths_n:
        accumulator.feed(samples[at : at + length_n])
        at += length_n
    pieces = accumulator.finish()
    for name in ("bands_db", "level_db", "periodicity", "pitch_hz"):
        np.testing.assert_array_equal(getattr(pieces, name), getattr(whole, name))


@pytest.mark.parametrize("rate_hz", [8000, 11025, 44100, 48000, 96000])
def test_level_and_band_of_a_sine(rate_hz: int) -> None:
    features = features_of(sine(1000.0, rate_hz), rate_hz)
    inside = slice(5, -5)
    # A sine of amplitude 0.1 has the mean square 0.005.
    np.testing.assert_allclose(features.level_db[inside], 10 * np.log10(0.005), atol=0.05)
    centres = band_edges_hz()[1:-1]
    assert (features.bands_db[inside].argmax(axis=1) == np.abs(mel(centres) - mel(1000.0)).argmin()).all()


def test_gain_shifts_all_bands_alike() -> None:
    samples = np.random.default_rng(1).standard_normal(48000) * 0.01
    plain, louder = features_of(samples, 48000), features_of(2 * samples, 48000)
    np.testing.assert_allclose(louder.bands_db - plain.bands_db, 20 * np.log10(2), atol=1e-3)
    np.testing.assert_allclose(louder.periodicity, plain.periodicity, atol=1e-4)


@pytest.mark.parametrize("rate_hz", [8000, 22050, 44100, 48000, 96000])
@pytest.mark.parametrize("pitch_hz", [90.0, 150.0, 310.0, 620.0])
def test_pitch_of_a_rich_tone(rate_hz: int, pitch_hz: float) -> None:
    harmonics = range(1, int(3500 / pitch_hz) + 1)
    tone = sum(sine(h * pitch_hz, rate_hz, amplitude=0.1 / h) for h in harmonics)
    features = features_of(tone, rate_hz)
    inside = slice(5, -5)
    assert np.median(features.pitch_hz[inside]) == pytest.approx(pitch_hz, rel=0.03)
    assert features.periodicity[inside].min() > 0.6


def test_noise_has_no_period() -> None:
    features = features_of(0.1 * np.random.default_rng(2).standard_normal(48000), 48000)
    assert np.percentile(features.periodicity, 95) < 0.4


def test_bands_over_half_the_rate_stay_at_the_floor() -> None:
    features = features_of(0.1 * np.random.default_rng(2).standard_normal(8000), 8000)
    above = band_edges_hz()[:-2] > 4000
    assert above.any()
    assert (features.bands_db[:, above] == FLOOR_DB).all()
    assert (features.bands_db[5:-5, ~above & (band_edges_hz()[1:-1] < 3600)] > -60).all()


def test_sides_of_opposite_sign_do_not_cancel() -> None:
    left = sine(300.0, 44100)
    opposite = features_of(np.column_stack([left, -left]), 44100)
    alone = features_of(left, 44100)
    np.testing.assert_allclose(opposite.level_db[5:-5], alone.level_db[5:-5] + 10 * np.log10(2), atol=1e-3)


def test_silence_and_nothing() -> None:
    features = features_of(np.zeros(4410), 44100)
    assert (features.level_db == FLOOR_DB).all()
    assert (features.periodicity == 0).all()
    assert FeatureAccumulator(44100).finish().cells_n == 0
