"""Third-octave powers: right in level, on the grid, whatever the blocks, as heard in the mix."""

from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
import soundfile
from hypothesis import given, settings
from hypothesis import strategies as st

from ridebook.audio.stems import open_pair
from ridebook.measure.bands import (
    BAND_MIDDLES_HZ,
    BELOW_N,
    COLUMNS_N,
    EDGES_HZ,
    BandAccumulator,
    PairBandAccumulator,
    PairBands,
    StemBands,
)
from ridebook.measure.measures import grid_points_n

RATES_HZ = (8_000, 11_025, 22_050, 32_000, 44_100, 48_000, 88_200, 96_000, 192_000)


def bands_of(samples: np.ndarray, rate_hz: int, weights: tuple[float, ...] = (1.0,)) -> StemBands:
    accumulator = BandAccumulator(rate_hz, weights)
    accumulator.feed(samples if samples.ndim == 2 else samples[:, None])
    return accumulator.finish()


def sine(frequency_hz: float, rate_hz: int, seconds: float = 0.6) -> np.ndarray:
    return np.sin(2 * np.pi * frequency_hz * np.arange(round(seconds * rate_hz)) / rate_hz)


def db(power: np.ndarray | float) -> np.ndarray:
    with np.errstate(divide="ignore"):
        return np.asarray(10 * np.log10(power))


@pytest.mark.parametrize("rate_hz", RATES_HZ)
def test_sine_in_the_middle_of_each_band(rate_hz: int) -> None:
    for i, middle_hz in enumerate(BAND_MIDDLES_HZ):
        if EDGES_HZ[BELOW_N + i + 1] > rate_hz / 2:
            break
        power = bands_of(sine(middle_hz, rate_hz), rate_hz).power[10:-10]
        # A sine of amplitude 1 has half a full-scale square of power, and not a cell strays from it.
        np.testing.assert_allclose(db(power[:, BELOW_N + i]), db(0.5), atol=0.2, err_msg=f"{middle_hz:.0f} Hz")
        np.testing.assert_allclose(db(power.sum(axis=1)), db(0.5), atol=0.2)
        beside = np.delete(
            power, [BELOW_N + i - 1, BELOW_N + i, BELOW_N + i + 1][: COLUMNS_N - BELOW_N - i + 1], axis=1
        )
        assert db(beside.max()) < -25.0


@pytest.mark.parametrize("rate_hz", RATES_HZ)
def test_white_noise_fills_bands_by_their_width(rate_hz: int) -> None:
    noise = np.random.default_rng(rate_hz).standard_normal(20 * rate_hz) * 0.1
    # What of the noise lies in each column, by one transform of the whole.
    bins_hz = np.fft.rfftfreq(len(noise), 1 / rate_hz)
    power = 2 * np.abs(np.fft.rfft(noise)) ** 2 / len(noise) ** 2
    known = np.array([power[(bins_hz >= low) & (bins_hz < high)].sum() for low, high in pairwise(EDGES_HZ)])
    whole = np.array(EDGES_HZ[1:]) <= rate_hz / 2
    measured = bands_of(noise, rate_hz).power.mean(axis=0)
    np.testing.assert_allclose(db(measured[whole]), db(known[whole]), atol=0.3)


def test_bands_over_half_the_rate_are_silent() -> None:
    power = bands_of(np.random.default_rng(1).standard_normal(8000), 8000).power
    above = np.array(EDGES_HZ[:-1]) >= 4000
    assert above.sum() == 3
    assert not power[:, above].any()
    assert (power[5:-5, ~above].mean(axis=0) > 0).all()


@pytest.mark.parametrize("rate_hz", [44_100, 48_000, 96_000, 192_000])
def test_what_lies_over_the_bands_does_not_fold_into_them(rate_hz: int) -> None:
    for frequency_hz in (12_500.0, 13_500.0, 15_500.0, 17_000.0, 21_000.0, 0.45 * rate_hz):
        power = bands_of(sine(frequency_hz, rate_hz), rate_hz).power[10:-10]
        assert db(power.max()) < -55.0, frequency_hz


@pytest.mark.parametrize("rate_hz", [11_025, 44_100, 48_000])
def test_a_click_counts_the_same_wherever_it_falls(rate_hz: int) -> None:
    sums = []
    for at_n in range(rate_hz // 4, rate_hz // 4 + rate_hz // 100, rate_hz // 700):
        samples = np.zeros(rate_hz // 2)
        samples[at_n] = 1.0
        sums.append(bands_of(samples, rate_hz).power.sum(axis=0))
    spread_db = np.ptp(db(np.array(sums)[:, : COLUMNS_N - (3 if rate_hz < 20_000 else 0)]), axis=0)
    assert (spread_db < 0.15).all()


@pytest.mark.parametrize(("frequency_hz", "half_ms"), [(250.0, 30), (2000.0, 10)])
def test_windows_open_where_they_should(frequency_hz: float, half_ms: int) -> None:
    rate_hz = 48_000
    samples = sine(frequency_hz, rate_hz, 1.0)
    samples[rate_hz // 2 :] = 0.0
    column = BELOW_N + int(np.argmin(np.abs(np.array(BAND_MIDDLES_HZ) - frequency_hz)))
    power = bands_of(samples, rate_hz).power[:, column]
    # Half of the power where the tone ends, between cells 49 and 50, less what the end itself throws out of the band;
    # all and nothing half a window away.
    assert (power[49] + power[50]) / 2 == pytest.approx(0.24, rel=0.1)
    assert power[49 - half_ms // 10] == pytest.approx(0.5, rel=0.06)
    assert power[50 + half_ms // 10] < 0.002


@settings(max_examples=20, deadline=None)
@given(
    st.lists(st.integers(0, 9000), min_size=1, max_size=10),
    st.sampled_from([8000, 11025, 44100, 96000]),
    st.integers(1, 2),
)
def test_blocks_change_nothing(lengths_n: list[int], rate_hz: int, channels_n: int) -> None:
    rng = np.random.default_rng(sum(lengths_n))
    samples = rng.standard_normal((sum(lengths_n), channels_n)).astype(np.float32)
    whole = bands_of(samples, rate_hz, (1.0, 1.41)[:channels_n])
    accumulator = BandAccumulator(rate_hz, (1.0, 1.41)[:channels_n])
    at = 0
    for length_n in lengths_n:
        accumulator.feed(samples[at : at + length_n])
        at += length_n
    pieces = accumulator.finish()
    assert len(whole.power) == len(grid_points_n(rate_hz, len(samples))) - 1
    np.testing.assert_array_equal(pieces.power, whole.power)


def test_gain_and_channels() -> None:
    rng = np.random.default_rng(4)
    left, right = rng.standard_normal((2, 48_000))
    both = bands_of(np.column_stack([left, right]), 48_000, (1.0, 2.0)).power
    one, other = bands_of(left, 48_000).power, bands_of(right, 48_000).power
    np.testing.assert_allclose(both, one + 2 * other, rtol=1e-4)
    np.testing.assert_allclose(bands_of(2 * left, 48_000).power, 4 * one, rtol=1e-4)
    # A channel of weight 0 is not looked at.
    np.testing.assert_array_equal(bands_of(np.column_stack([left, right]), 48_000, (1.0, 0.0)).power, one)


def test_nothing_and_silence() -> None:
    assert BandAccumulator(44_100, [1.0]).finish().power.shape == (0, COLUMNS_N)
    assert not bands_of(np.zeros(1000), 44_100).power.any()
    assert bands_of(np.zeros(1000), 44_100).power.shape == (3, COLUMNS_N)


def pair_bands(folder: Path, vocal: np.ndarray, *beds: np.ndarray) -> PairBands:
    paths = [folder / f"{i}.wav" for i in range(1 + len(beds))]
    for path, samples in zip(paths, (vocal, *beds), strict=True):
        soundfile.write(path, samples, 44_100, subtype="FLOAT")
    with open_pair(paths[0], paths[1:]) as pair:
        accumulator = PairBandAccumulator(pair)
        for start_n in range(0, pair.frames_n, 10_000):
            stop_n = min(start_n + 10_000, pair.frames_n)
            accumulator.feed(pair.vocal.read(start_n, stop_n), [bed.read(start_n, stop_n) for bed in pair.beds])
        return accumulator.finish()


def test_a_mono_vocal_counts_on_both_sides(tmp_path: Path) -> None:
    voice = 0.1 * np.random.default_rng(3).standard_normal(44_100)
    wide = pair_bands(tmp_path, voice, np.column_stack([voice, voice]))
    np.testing.assert_allclose(wide.vocal.power, wide.bed.power, rtol=1e-4)
    narrow = pair_bands(tmp_path, voice, voice)
    np.testing.assert_allclose(wide.vocal.power, 2 * narrow.vocal.power, rtol=1e-4)
    assert wide.bed is wide.beds[0]


def test_beds_are_summed_by_their_samples(tmp_path: Path) -> None:
    rng = np.random.default_rng(3)
    voice, one = 0.1 * rng.standard_normal((2, 44_100))
    pair = pair_bands(tmp_path, voice, one, np.column_stack([-one, one]))
    # On the left the two cancel, on the right they double.
    np.testing.assert_allclose(pair.bed.power[5:-5], 4 * pair.beds[0].power[5:-5] / 2, rtol=1e-3)
    np.testing.assert_allclose(pair.beds[0].power, pair.beds[1].power, rtol=1e-4)
