"""True peak: what must hold of it for any signal. The published cases stand in tests/published."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.signal import resample

from ridebook.measure.truepeak import TAPS_N, TruePeak, interpolator, oversampling


def plain_peak_db(samples: np.ndarray, rate_hz: int) -> float:
    """Every interpolated value of every channel, with silence around."""
    taps = interpolator(oversampling(rate_hz))
    padded = np.pad(samples.astype(np.float64), ((TAPS_N, TAPS_N), (0, 0)))
    windows = np.lib.stride_tricks.sliding_window_view(padded, TAPS_N, axis=0)
    return float(20 * np.log10(np.abs(windows @ taps.T).max()))


def read_db(blocks: list[np.ndarray], rate_hz: int) -> float:
    meter = TruePeak(rate_hz)
    for block in blocks:
        meter.feed(block)
    return meter.dbtp


@settings(max_examples=40, deadline=None)
@given(
    seed=st.integers(0, 1000),
    frames_n=st.integers(1, 3000),
    cuts=st.lists(st.integers(0, 3000), max_size=5),
    rate_hz=st.sampled_from([44_100, 96_000, 192_000]),
    crest=st.sampled_from([1, 4, 16]),
)
def test_passing_over_low_pieces_and_cutting_blocks_change_nothing(
    seed: int, frames_n: int, cuts: list[int], rate_hz: int, crest: int
) -> None:
    rng = np.random.default_rng(seed)
    samples = (np.sign(rng.standard_normal((frames_n, 2))) * rng.random((frames_n, 2)) ** crest).astype(np.float32)
    found = read_db(np.split(samples, sorted(cut for cut in cuts if cut <= frames_n)), rate_hz)
    assert found == pytest.approx(plain_peak_db(samples, rate_hz), abs=1e-4)
    assert found >= 20 * np.log10(np.abs(samples).max()) - 1e-6


def test_against_the_fourier_transform() -> None:
    # A signal of a few tones up to 0.45 of the rate is known at every instant, here at 64 times the rate.
    rng = np.random.default_rng(3)
    for _ in range(20):
        spectrum = np.zeros(2049, complex)
        heard = rng.integers(1, round(0.9 * 2048), 12)
        spectrum[heard] = rng.standard_normal(12) + 1j * rng.standard_normal(12)
        samples = np.tile(np.fft.irfft(spectrum), 3)
        # The middle one of three repetitions, faded in and out over the others.
        samples *= np.clip(np.minimum(np.arange(12_288), np.arange(12_288)[::-1]) / 4096, 0, 1)
        exact_db = 20 * np.log10(np.abs(resample(np.fft.irfft(spectrum), 4096 * 64)).max())
        found_db = read_db([samples[:, None].astype(np.float32)], 48_000)
        # BS.1770-5 Annex 2, Attachment 1: up to 0.136 dB low between eight values a sample.
        assert exact_db - 0.15 <= found_db <= exact_db + 0.02


@settings(max_examples=20, deadline=None)
@given(seed=st.integers(0, 1000), exponent=st.integers(-20, 4))
def test_gain_shifts_it_by_exactly_itself(seed: int, exponent: int) -> None:
    samples = np.random.default_rng(seed).uniform(-1, 1, (500, 1)).astype(np.float32)
    shift_db = read_db([samples * np.float32(2.0**exponent)], 48_000) - read_db([samples], 48_000)
    assert shift_db == pytest.approx(20 * np.log10(2.0) * exponent, abs=1e-9)


def test_the_peak_may_lie_at_a_block_border_or_at_the_very_end() -> None:
    half_scale = np.full((2, 1), 0.5, dtype=np.float32)
    for at in (0, 30, 31, 32, 498):
        samples = np.zeros((500, 1), dtype=np.float32)
        samples[at : at + 2] = half_scale
        blocks = [samples[: at + 1], samples[at + 1 :]]
        # Two equal samples meet in the middle: each gives sinc(1/2) = 2 / pi of its height, less the window's part.
        assert read_db(blocks, 48_000) == pytest.approx(20 * np.log10(2 / np.pi), abs=0.05)


def test_reading_does_not_change_what_comes_after() -> None:
    samples = np.random.default_rng(1).standard_normal((1000, 2)).astype(np.float32)
    meter = TruePeak(48_000)
    meter.feed(samples[:333])
    assert meter.dbtp >= meter.sample_dbfs
    meter.feed(samples[333:])
    assert meter.dbtp == read_db([samples], 48_000)


def test_silence_and_nothing() -> None:
    meter = TruePeak(48_000)
    assert meter.dbtp == meter.sample_dbfs == -np.inf
    meter.feed(np.zeros((1000, 2), dtype=np.float32))
    assert meter.dbtp == meter.sample_dbfs == -np.inf
