"""EBU Tech 3341 (V4, November 2023), clause 2.9 Table 1: the minimum requirements, at the table's own tolerances.

Cases 7 and 8 are recorded programmes and cannot be made here.
"""

from pathlib import Path

import numpy as np
import pytest
import soundfile
from scipy.signal import fftconvolve, firwin

from ridebook.measure.filemeter import measure_file
from ridebook.measure.loudness import (
    MOMENTARY_CELLS,
    SHORT_TERM_CELLS,
    integrated_lufs,
    loudness_lufs,
    maximum_lufs,
    windowed_power,
)
from ridebook.measure.truepeak import TruePeak
from tests.published.signals import RATES_HZ, case, measured, table, tones, value

CASES = "ebu_tech3341_cases.json"
at_every_rate = pytest.mark.parametrize("rate_hz", RATES_HZ)


def assert_within(entry: dict, what: str, found: np.ndarray | float, i: int = 0) -> None:
    expected, tolerance = value(entry["expected"][what], i), entry["tolerance"]
    assert np.all(found >= expected - tolerance["minus"]), f"{what} is {np.min(found):.3f}, not {expected}"
    assert np.all(found <= expected + tolerance["plus"]), f"{what} is {np.max(found):.3f}, not {expected}"


@at_every_rate
@pytest.mark.parametrize("number", [1, 2])
def test_steady_tones_read_alike_on_all_scales(number: int, rate_hz: int) -> None:
    entry = case(CASES, number)
    stem = measured(tones(entry["segments"], rate_hz), rate_hz)
    # Less the first 10 ms, in which the filter settles.
    assert_within(entry, "M_lufs", loudness_lufs(windowed_power(stem, MOMENTARY_CELLS))[1:])
    assert_within(entry, "S_lufs", loudness_lufs(windowed_power(stem, SHORT_TERM_CELLS))[1:])
    assert_within(entry, "I_lufs", integrated_lufs(stem))


@at_every_rate
@pytest.mark.parametrize("number", [3, 4, 5, 6])
def test_integrated(number: int, rate_hz: int) -> None:
    entry = case(CASES, number)
    assert_within(entry, "I_lufs", integrated_lufs(measured(tones(entry["segments"], rate_hz), rate_hz)))


@at_every_rate
@pytest.mark.parametrize(
    ("number", "what", "cells_n", "settled_s"),
    [(9, "S_lufs", SHORT_TERM_CELLS, 3), (12, "M_lufs", MOMENTARY_CELLS, 1)],
)
def test_alternating_tones_read_constant(number: int, what: str, cells_n: int, settled_s: int, rate_hz: int) -> None:
    entry = case(CASES, number)
    stem = measured(tones(entry["segments"] * entry["repeat"], rate_hz), rate_hz)
    found = loudness_lufs(windowed_power(stem, cells_n))
    assert_within(entry, what, found[settled_s * 100 - cells_n :])


@at_every_rate
@pytest.mark.parametrize(
    ("number", "what", "cells_n"), [(10, "max_S_lufs", SHORT_TERM_CELLS), (13, "max_M_lufs", MOMENTARY_CELLS)]
)
def test_maxima_of_files(number: int, what: str, cells_n: int, rate_hz: int) -> None:
    entry = case(CASES, number)
    first, last = entry["i_range"]
    for i in range(first, last + 1):
        stem = measured(tones(entry["segments"], rate_hz, i), rate_hz)
        assert_within(entry, what, maximum_lufs(stem, cells_n))


@at_every_rate
@pytest.mark.parametrize(
    ("number", "what", "cells_n", "part_s"),
    [(11, "max_S_lufs", SHORT_TERM_CELLS, 6.0), (14, "max_M_lufs", MOMENTARY_CELLS, 0.8)],
)
def test_successive_maxima_of_a_live_meter(number: int, what: str, cells_n: int, part_s: float, rate_hz: int) -> None:
    entry = case(CASES, number)
    first, last = entry["i_range"]
    parts = range(first, last + 1)
    stem = measured(np.concatenate([tones(entry["segments"], rate_hz, i) for i in parts]), rate_hz)
    maxima = np.maximum.accumulate(loudness_lufs(windowed_power(stem, cells_n)))
    for i in parts:
        # The last window that ends with part i.
        assert_within(entry, what, maxima[round((i + 1) * part_s * 100) - cells_n], i)


def faded(samples: np.ndarray, fade_n: int) -> np.ndarray:
    ramp = np.arange(fade_n) / fade_n
    samples[:fade_n] *= ramp
    samples[-fade_n:] *= ramp[::-1]
    return samples


def period_per_rate(freq: str) -> int:
    """4 of ``fs/4``."""
    assert freq.startswith("fs/")
    return int(freq.removeprefix("fs/"))


def true_peak_signal(tone: dict, rate_hz: int) -> np.ndarray:
    if "background" not in tone:
        phase = 2 * np.pi * np.arange(rate_hz) / period_per_rate(tone["freq"]) + np.deg2rad(tone["phase_deg"])
        return faded(tone["amplitude_ffs"] * np.sin(phase), round(tone["fade_in_out_s"] * rate_hz))
    fine = 4

    def sine(part: dict, periods_n: int) -> np.ndarray:
        period_n = period_per_rate(part["freq"]) * fine
        return part["amplitude_ffs"] * np.sin(2 * np.pi * np.arange(period_n * periods_n) / period_n)

    background = sine(tone["background"], rate_hz // 100)
    samples = faded(np.concatenate([background, sine(tone["insert"], 1), background]), rate_hz // 25)
    low_pass = firwin(8 * 96 + 1, 0.98 / fine, window=("kaiser", 9.0))
    return fftconvolve(samples, low_pass, "same")[tone["decimation_offset_samples_at_4fs"] :: fine]


@at_every_rate
@pytest.mark.parametrize("number", range(15, 24))
def test_true_peak(number: int, rate_hz: int) -> None:
    entry = case(CASES, number)
    samples = true_peak_signal(entry["true_peak_tone"], rate_hz)
    meter = TruePeak(rate_hz)
    for start in range(0, len(samples), 10_007):
        meter.feed(np.column_stack([samples, samples])[start : start + 10_007].astype(np.float32))
    assert_within(entry, "max_TP_dbtp", meter.dbtp)
    assert meter.sample_dbfs <= meter.dbtp
    if number <= 19:
        # Closer than the table asks: the peak between the samples is known exactly here.
        assert meter.dbtp == pytest.approx(20 * np.log10(entry["true_peak_tone"]["amplitude_ffs"]), abs=0.01)


@at_every_rate
def test_calibration(rate_hz: int) -> None:
    entry = table(CASES)["calibration"]
    sine = 10 ** (-18 / 20) * np.sin(2 * np.pi * 1000 / rate_hz * np.arange(rate_hz * 5))
    stem = measured(np.column_stack([sine, sine]).astype(np.float32), rate_hz)
    assert integrated_lufs(stem) == pytest.approx(entry["expected_lufs"], abs=0.02)


@pytest.mark.parametrize("number", [3, 6, 13, 16])
def test_through_a_file(number: int, tmp_path: Path) -> None:
    entry, rate_hz = case(CASES, number), 48_000
    if "segments" in entry:
        samples = tones(entry["segments"], rate_hz, 7)
    else:
        samples = true_peak_signal(entry["true_peak_tone"], rate_hz)[:, None]
    path = tmp_path / "case.wav"
    with soundfile.SoundFile(path, "w", rate_hz, samples.shape[1], "PCM_24", format="WAVEX") as file:
        file.write(samples)
    found = measure_file(path)
    names = {"I_lufs": "integrated_lufs", "max_M_lufs": "momentary_max_lufs", "max_TP_dbtp": "true_peak_dbtp"}
    for what in entry["expected"]:
        assert_within(entry, what, getattr(found, names[what]))
