"""The meter of a file: every field against the samples that were written."""

import json
from dataclasses import asdict
from pathlib import Path

import numpy as np
import pytest
import soundfile

from ridebook.errors import SourceUnusableError
from ridebook.measure.filemeter import measure_file
from ridebook.measure.loudness import (
    MOMENTARY_CELLS,
    SHORT_TERM_CELLS,
    integrated_lufs,
    loudness_range_lu,
    maximum_lufs,
)
from ridebook.measure.truepeak import TruePeak
from tests.published.signals import measured

RATE_HZ = 44_100


def swelling(length_s: float) -> np.ndarray:
    rng = np.random.default_rng(8)
    frames_n = round(length_s * RATE_HZ)
    gain = 10 ** (np.interp(np.arange(frames_n), [0, frames_n // 2, frames_n], [-40, -15, -30]) / 20)
    return (rng.standard_normal((frames_n, 2)) * gain[:, None] * 0.3).astype(np.float32)


def test_every_field(tmp_path: Path) -> None:
    samples = swelling(8.3)
    path = tmp_path / "noise.wav"
    soundfile.write(path, samples, RATE_HZ, "FLOAT")
    told: list[float] = []
    found = measure_file(path, progress=told.append)
    stem, peaks = measured(samples, RATE_HZ), TruePeak(RATE_HZ)
    peaks.feed(samples)
    expected = {
        "rate_hz": RATE_HZ,
        "channels": 2,
        "seconds": len(samples) / RATE_HZ,
        "integrated_lufs": integrated_lufs(stem),
        "loudness_range_lu": loudness_range_lu(stem),
        "momentary_max_lufs": maximum_lufs(stem, MOMENTARY_CELLS),
        "short_term_max_lufs": maximum_lufs(stem, SHORT_TERM_CELLS),
        "true_peak_dbtp": peaks.dbtp,
        "sample_peak_dbfs": 20 * np.log10(float(np.abs(samples).max())),
    }
    assert asdict(found) == pytest.approx(expected, abs=1e-9)
    assert json.loads(json.dumps(asdict(found), allow_nan=False)) == asdict(found)
    assert told == sorted(told)
    assert told[-1] == 1.0


def test_a_file_under_the_gate_has_no_integrated_loudness(tmp_path: Path) -> None:
    path = tmp_path / "low.wav"
    soundfile.write(path, swelling(1.0) * np.float32(1e-3), RATE_HZ, "FLOAT")
    found = measure_file(path)
    assert found.integrated_lufs == -np.inf
    assert -110 < found.momentary_max_lufs < -70
    assert found.short_term_max_lufs < found.momentary_max_lufs


def test_silence_is_refused_by_name(tmp_path: Path) -> None:
    path = tmp_path / "empty.wav"
    soundfile.write(path, np.zeros((RATE_HZ, 2)), RATE_HZ, "PCM_16")
    with pytest.raises(SourceUnusableError, match=r"empty\.wav"):
        measure_file(path)
