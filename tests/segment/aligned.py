"""Vocals of synthesized speech whose words are known to the sample, laid on again by their lyric."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from ridebook.measure.features import VocalFeatures
from ridebook.measure.measures import Measures
from ridebook.segment.align import AlignedLyric, align_lyric
from ridebook.segment.find import find_segments
from ridebook.segment.spans import Segments
from tests.segment import made
from tests.synth import speak

LINES = (
    "the boats are waiting near the bay and every sailor knows this way",
    "seven silver candles burn upon our shelf",
    "we sing until that morning light",
    "nothing ever happens inside quiet little towns",
    "shadows under lamplight moving slowly past",
    "low clouds roll down past my door",
    "she keeps one coin from each good year",
    "bread and salt will do us fine",
    "take my word and leave your doubt",
    "my heart beats loud when drums roll",
)
VOICES = (("en", 40, 150), ("en-us+f2", 65, 130), ("en+m4", 25, 140), ("en-us+f5", 75, 120))


@dataclass(frozen=True)
class Vocal:
    """A vocal, its lines, and the start and word of each word in seconds; words that run together have a space."""

    samples: np.ndarray
    rate_hz: int
    lines: tuple[tuple[tuple[float, str], ...], ...]

    @property
    def lyric(self) -> str:
        return "\n".join(" ".join(word for _, word in line) for line in self.lines)


def spoken(voice: str, pitch: int, rate: int, lines: Sequence[str] = LINES, seed: int = 5) -> Vocal:
    """Lines in a row with pauses of 0.3 to 0.9 s."""
    rng = np.random.default_rng(seed)
    parts: list[np.ndarray] = [np.zeros(8000)]
    told = []
    at = 8000
    rate_hz = 22050
    for line in lines:
        said = speak(line, voice, pitch, rate)
        rate_hz = said.rate_hz
        told.append(tuple(((at + word.start_n) / rate_hz, word.text) for word in said.words))
        parts += [said.samples.astype(float), np.zeros(round(rng.uniform(0.3, 0.9) * rate_hz))]
        at += len(parts[-2]) + len(parts[-1])
    return Vocal(np.concatenate(parts), rate_hz, tuple(told))


def noisy(vocal: Vocal, under_db: float, kind: str, seed: int = 1) -> Vocal:
    """The same with noise or bleed of a band under the voice."""
    rng = np.random.default_rng(seed)
    x = vocal.samples
    voice_db = 10 * np.log10(np.mean(x[np.abs(x) > 1e-4] ** 2))
    seconds = len(x) / vocal.rate_hz + 0.1
    noise = made.bled(seconds, vocal.rate_hz, rng, 0.0) if kind == "bleed" else rng.standard_normal(len(x))
    return Vocal(x + made.scaled(noise[: len(x)], voice_db - under_db), vocal.rate_hz, vocal.lines)


def heard(vocal: Vocal) -> tuple[VocalFeatures, Measures, Segments]:
    features = made.features_of(vocal.samples, vocal.rate_hz)
    measures = made.measures_of(vocal.samples, vocal.rate_hz)
    return features, measures, find_segments(features, measures)


def laid(vocal: Vocal, lyric: str | None = None, language: str | None = None, listen: bool = True) -> AlignedLyric:
    """The lyric laid on the vocal, with the recognizer's opinion where `listen`."""
    features, measures, found = heard(vocal)
    read = (lambda start, stop: vocal.samples[start:stop]) if listen else None
    result = align_lyric(vocal.lyric if lyric is None else lyric, features, measures, found, language, read)
    assert result is not None
    return result


def errors_s(vocal: Vocal, result: AlignedLyric, skipped_lines: Sequence[int] = ()) -> np.ndarray:
    """Error of each word's start in seconds, NaN where it was left out; of the lines that the lyric has."""
    starts = {span.id: span.start_n / vocal.rate_hz for span in result.segments.words}
    errors = []
    number = 0
    for i, line in enumerate(vocal.lines):
        if i in skipped_lines:
            continue
        for start_s, text in line:
            errors.append(starts.get(f"lw{number + 1:04d}", np.nan) - start_s)
            number += len(text.split())
    return np.array(errors)


def summary(errors: np.ndarray) -> tuple[float, float, float]:
    """Median and 95th percentile in ms, and share within 120 ms; a word left out counts as far off."""
    away = np.nan_to_num(np.abs(errors), nan=60.0) * 1000
    return float(np.median(away)), float(np.percentile(away, 95)), float(np.mean(away <= 120))
