"""Songs whose words are known to the sample: a synthesized voice, damage of our own, and beds made of its spectrum."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import numpy as np
import soundfile

from ridebook.ride.settings import RideSettings
from ridebook.segment.spans import Kind, Segments, Span
from ridebook.work.hearing import with_hearing
from ridebook.work.song import Song, open_song, with_segments
from tests.synth import speak

LINES = (
    "the boats are waiting in the bay",
    "and every sailor knows the way",
    "we sing until the morning light",
    "a lantern burning out of sight",
    "she never wrote a single line",
    "but kept the letter that was mine",
    "put down the glass and leave the door",
    "nobody lives here any more",
)
GAP_S = 0.5


@dataclass(frozen=True, eq=False)
class Spoken:
    """A voice with its words and phrases.

    Parameters
    ----------
    voice : ndarray
        float64, shape (frames,), full scale 1.0.
    rate_hz : int
        Sample rate.
    segments : Segments
        Phrases ``p0``, ``p1`` and words ``w0``, ``w1``.
    """

    voice: np.ndarray
    rate_hz: int
    segments: Segments

    def with_gains(self, spans: Sequence[Span], gains_db: Sequence[float]) -> np.ndarray:
        """The voice with a gain on each of some spans, faded over 5 ms inside it."""
        gain_db = np.zeros(len(self.voice))
        for span, own_db in zip(spans, gains_db, strict=True):
            edge_n = min(round(0.005 * self.rate_hz), span.length_n // 2)
            frames = [span.start_n, span.start_n + edge_n, span.end_n - edge_n, span.end_n]
            inside = np.arange(span.start_n, span.end_n)
            gain_db[inside] += np.interp(inside, frames, [0.0, own_db, own_db, 0.0])
        return self.voice * 10.0 ** (gain_db / 20.0)

    @property
    def level(self) -> float:
        """Root mean square over the phrases."""
        sung = np.concatenate([self.voice[phrase.start_n : phrase.end_n] for phrase in self.segments.phrases])
        return float(np.sqrt(np.mean(sung**2)))


@cache
def spoken(voice: str = "en", pitch: int = 45, rate: int = 150) -> Spoken:
    """The lines, each a phrase, said by a voice, with pauses between; evened to one level a word."""
    parts: list[np.ndarray] = []
    phrases, words, at = [], [], 0
    rate_hz = 0
    for p, line in enumerate(LINES):
        said = speak(line, voice, pitch, rate)
        rate_hz = said.rate_hz
        gap = np.zeros(round(GAP_S * rate_hz))
        at += len(gap)
        first = len(words)
        for word in said.words:
            words.append(Span(f"w{len(words)}", Kind.WORD, at + word.start_n, at + word.end_n, word.text))
        phrases.append(Span(f"p{p}", Kind.PHRASE, words[first].start_n, words[-1].end_n, line))
        parts += [gap, said.samples.astype(np.float64)]
        at += len(said.samples)
    parts.append(np.zeros(round(GAP_S * rate_hz)))
    plain = Spoken(np.concatenate(parts), rate_hz, Segments((), tuple(phrases), tuple(words)))
    powers = [np.mean(plain.voice[word.start_n : word.end_n] ** 2) for word in words]
    even = plain.with_gains(words, [10.0 * np.log10(np.mean(powers) / power) for power in powers])
    return Spoken(even * 0.1 / plain.level, rate_hz, plain.segments)


def pad(song: Spoken, balance_db: float = 0.0, seed: int = 1) -> np.ndarray:
    """Steady noise with the spectrum of the voice, `balance_db` under it."""
    spectrum = np.fft.rfft(song.voice)
    turns = np.random.default_rng(seed).uniform(0.0, 2.0 * np.pi, len(spectrum))
    noise = np.fft.irfft(np.abs(spectrum) * np.exp(1j * turns), len(song.voice))
    return noise * song.level / np.sqrt(np.mean(noise**2)) * 10.0 ** (-balance_db / 20.0)


def band(samples: np.ndarray, rate_hz: int, low_hz: float, high_hz: float) -> np.ndarray:
    """What lies between two frequencies."""
    spectrum = np.fft.rfft(samples)
    hz = np.fft.rfftfreq(len(samples), 1.0 / rate_hz)
    spectrum[(hz < low_hz) | (hz >= high_hz)] = 0.0
    return np.fft.irfft(spectrum, len(samples))


def hits(samples: np.ndarray, rate_hz: int, every_s: float, long_s: float) -> np.ndarray:
    """Samples cut to bursts of the same mean power."""
    t = np.arange(len(samples)) / rate_hz % every_s
    burst = samples * (t < long_s)
    return burst * np.sqrt(np.mean(samples**2) / np.mean(burst**2))


def opened(
    folder: Path,
    song: Spoken,
    voice: np.ndarray,
    beds: dict[str, np.ndarray],
    settings: RideSettings | None = None,
    *,
    listen: bool = True,
) -> Song:
    """The song on its true words, from files, with how its words are heard; its files are closed."""
    folder.mkdir(exist_ok=True)
    paths = [folder / "voice.wav", *(folder / f"{name}.wav" for name in beds)]
    for path, samples in zip(paths, (voice, *beds.values()), strict=True):
        soundfile.write(path, samples, song.rate_hz, subtype="FLOAT")
    made = open_song(paths[0], paths[1:], settings)
    with made.pair:
        made = with_segments(made, song.segments)
        return with_hearing(made) if listen else made
