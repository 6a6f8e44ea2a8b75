"""Make the demo song "The Orchard Wall" with its true times.

    python demo_sessions/make_song.py [--out DIR]

Needs the `demo` extra (pyworld, espeakng-loader) beside numpy, scipy and soundfile. The words are said by a speech
synthesizer that knows the frame of each of its sounds (tests/synth.py), taken apart by a vocoder (pyworld), laid on
the melody with every vowel on its beat, and put together again at the pitch of the notes. The band is computed here
as well. Nothing is random but by a fixed seed.

Written: vocal.flac (mono), band.flac and keys.flac (stereo; together the bed), lyric.txt, words.csv and
known_problems.csv.
"""

from __future__ import annotations

import argparse
import csv
import sys
from dataclasses import dataclass
from functools import cache
from itertools import pairwise
from pathlib import Path

import numpy as np
import pyworld
import soundfile
from scipy import signal

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))
from tests.synth import Phoneme, Utterance, speak

HERE = Path(__file__).resolve().parent
RATE_HZ = 48000
TEMPO_BPM = 90.0
EIGHTH_S = 30.0 / TEMPO_BPM
BAR_S = 8 * EIGHTH_S
BARS_N = 20
LENGTH_N = round((BARS_N * BAR_S + 1.0) * RATE_HZ)
FRAME_MS = 2.5
VOCAL_PEAK_DBFS = -6.0
SONG_BALANCE_LU = 1.5
STEPS = {"vocal": 2**15, "band": 2**13, "keys": 2**14}


@dataclass(frozen=True)
class Line:
    """A sung line: its bar, its notes as (eighth, MIDI note), one for each vowel, and the eighth where it ends."""

    section: str
    bar: int
    text: str
    notes: tuple[tuple[float, int], ...]
    end: float


VERSE_1 = (
    ("Apples on the windowsill", ((0, 57), (1, 57), (2, 57), (2.5, 59), (3, 62), (4, 59), (5, 57)), 6.5),
    ("Rain along the lane", ((0, 59), (1.5, 57), (2, 54), (3, 52), (4, 54)), 6.0),
    (
        "You wrote my name in chalk one night",
        ((-1, 55), (0, 59), (1, 59), (2, 62), (3, 59), (4, 57), (5, 55), (5.5, 57)),
        6.9,
    ),
    ("And it washed off again", ((0, 57), (0.5, 57), (1, 61), (2.5, 59), (3.5, 57), (4, 57)), 6.5),
)
CHORUS = (
    ("Meet me by the orchard wall", ((0, 62), (1, 59), (2, 62), (2.5, 62), (3, 66), (4, 64), (5, 62)), 6.8),
    ("When the lamps are burning low", ((0, 61), (0.5, 61), (1, 64), (2.5, 62), (3, 61), (4, 59), (5, 57)), 6.8),
    (
        "I will carry all your winter",
        ((0, 59), (0.5, 62), (1, 66), (2, 64), (2.5, 62), (3.5, 62), (4, 66), (5, 64)),
        6.8,
    ),
    ("Till the morning lets you go", ((0, 59), (0.5, 59), (1, 62), (2, 62), (3, 64), (4, 61), (5, 62)), 8.8),
)
VERSE_2 = (
    ("Seven crows upon the gate", ((0, 57), (0.5, 57), (1, 62), (2, 59), (2.5, 59), (3.5, 57), (4, 57)), 6.5),
    ("Nothing on the phone", ((0, 59), (1, 57), (2, 54), (3, 52), (4, 54)), 6.0),
    (
        "I learned the shape of every door",
        ((-1, 55), (0, 59), (1, 59), (2, 62), (3, 59), (4, 57), (4.75, 55), (5.5, 57)),
        6.9,
    ),
    ("And I walked home alone", ((0, 57), (0.5, 57), (1, 61), (2.5, 59), (3.5, 57), (4, 57)), 6.5),
)
FORM = (("verse 1", 1, VERSE_1), ("chorus", 5, CHORUS), ("verse 2", 10, VERSE_2), ("chorus", 14, CHORUS))
LINES = tuple(
    Line(section, bar + i, text, notes, end)
    for section, bar, lines in FORM
    for i, (text, notes, end) in enumerate(lines)
)

# What is wrong with the song, on purpose: (line number, word number or None for the line, change of the voice in dB).
VOICE_PROBLEMS = (
    (1, None, -3.5),
    (2, 7, -5.5),
    (6, 5, -5.0),
    (8, 4, -5.5),
    (10, 3, -6.0),
    (11, None, 4.0),
)
# A word in verse 1 that a cymbal and a stab of the keys fall on: line, word.
COVERED_WORD = (3, 2)
SWELL_BARS = (14, 18)
SWELL_DB = 5.0

# Chord of each half bar, as MIDI notes: bass, then the keys' voicing.
D, BM, G, A, FM = (
    (38, (57, 62, 66, 69)),
    (35, (57, 59, 62, 66)),
    (43, (55, 59, 62, 66)),
    (33, (57, 61, 64, 69)),
    (42, (57, 61, 64, 66)),
)
ASUS = (33, (57, 62, 64, 69))
VERSE_CHORDS = (D, D, BM, BM, G, G, ASUS, A)
CHORUS_CHORDS = (G, G, A, A, BM, FM, G, A)
CHORDS = (D, D, *VERSE_CHORDS, *CHORUS_CHORDS, D, ASUS, *VERSE_CHORDS, *CHORUS_CHORDS, D, D, D, D)


def hz(midi: float | np.ndarray) -> float | np.ndarray:
    """Frequency of a MIDI note, A4 = 440 Hz."""
    return 440.0 * 2.0 ** ((midi - 69.0) / 12.0)


def at_n(bar: float, eighth: float = 0.0) -> int:
    """Frame of a place in the song."""
    return round((bar * BAR_S + eighth * EIGHTH_S) * RATE_HZ)


# ------------------------------------------------------------------------------------------------ loudness


def k_weighted(samples: np.ndarray) -> np.ndarray:
    """K-weighted samples: the filters that ITU-R BS.1770-5, tables 1 and 2, gives for 48 kHz."""
    shelf = signal.lfilter(
        [1.53512485958697, -2.69169618940638, 1.19839281085285], [1.0, -1.69065929318241, 0.73248077421585], samples, 0
    )
    return signal.lfilter([1.0, -2.0, 1.0], [1.0, -1.99004745483398, 0.99007225036621], shelf, axis=0)


def k_power(samples: np.ndarray) -> np.ndarray:
    """K-weighted power of each frame, the channels summed."""
    power = k_weighted(samples) ** 2
    return power if power.ndim == 1 else power.sum(axis=1)


def level_db(power: np.ndarray) -> float:
    """Level of the mean of `power`."""
    return float(10 * np.log10(power.mean() + 1e-12))


def rounded_db(gain_db: np.ndarray, seconds: float = 0.03) -> np.ndarray:
    """A gain curve with its steps rounded."""
    window = np.hanning(round(seconds * RATE_HZ))
    padded = np.pad(gain_db, len(window), mode="edge")
    return signal.fftconvolve(padded, window / window.sum(), "same")[len(window) : -len(window)]


# ------------------------------------------------------------------------------------------------ the voice

VOWELS = set("aeiouAEIOUV03@&")
VOICELESS = ("p", "t", "k", "f", "T", "s", "S", "h", "tS", "x")


def plain(name: str) -> str:
    """Name of a phoneme without its stress."""
    return name.lstrip("',")


def is_vowel(phoneme: Phoneme) -> bool:
    """Whether it can carry a note."""
    return plain(phoneme.name)[0] in VOWELS


def word_starts(said: Utterance) -> list[tuple[int, str]]:
    """First phoneme and text of each word; what the synthesizer runs together ("on the") taken apart."""
    starts = []
    for word in said.words:
        own = [i for i, p in enumerate(said.phonemes) if word.start_n <= p.start_n < word.end_n]
        first, _, second = word.text.partition(" ")
        starts.append((own[0], first))
        if second:
            if second != "the":
                raise ValueError(f"{word.text!r} runs together and is not known how to take apart")
            starts.append((max(i for i in own if said.phonemes[i].name == "D"), second))
    return starts


def place_phonemes(said: Utterance, line: Line) -> tuple[np.ndarray, np.ndarray, list[tuple[float, float]]]:
    """Where the sounds go: points of the map from song time (seconds, from the line's bar) to spoken time.

    Every vowel begins on its note. Consonants keep nearly their spoken length and are taken from the vowel before.
    A long vowel keeps its first and last part as spoken and is drawn out in between.

    Returns
    -------
    tuple
        Song times and spoken times of the map's points, rising; (start, end) of each phoneme in song time.
    """
    vowels = [i for i, p in enumerate(said.phonemes) if is_vowel(p)]
    if len(vowels) != len(line.notes):
        raise ValueError(f"{line.text!r} has {len(vowels)} vowels for {len(line.notes)} notes")
    spoken = [(p.start_n / said.rate_hz, p.end_n / said.rate_hz) for p in said.phonemes]

    # Consonants, each with the silence after it, as (phoneme, sound, silence), between vowel k - 1 and vowel k.
    clusters: list[list[tuple[int, float, float]]] = []
    gap_after = [max(0.0, b[0] - a[1]) for a, b in pairwise(spoken)] + [0.0]
    edges = [-1, *vowels, len(spoken)]
    for before, after in pairwise(edges):
        cluster = []
        for i in range(before + 1, after):
            sound = float(np.clip(0.95 * (spoken[i][1] - spoken[i][0]), 0.03, 0.14))
            cluster.append((i, sound, min(gap_after[i], 0.05)))
        clusters.append(cluster)

    starts_s = [eighth * EIGHTH_S for eighth, _ in line.notes] + [line.end * EIGHTH_S]
    placed: list[tuple[float, float]] = [(0.0, 0.0)] * len(spoken)
    song, source = [], []

    def lay(i: int, start: float, length: float) -> None:
        a, b = spoken[i]
        placed[i] = (start, start + length)
        song.extend([start, start + length])
        source.extend([a, b])

    lead = sum(sound + silence for _, sound, silence in clusters[0])
    at = starts_s[0] - lead
    for i, sound, silence in clusters[0]:
        lay(i, at, sound)
        at += sound + silence
    for k, vowel in enumerate(vowels):
        span = starts_s[k + 1] - starts_s[k]
        closing = min(gap_after[vowel], 0.05)
        wanted = closing + sum(sound + silence for _, sound, silence in clusters[k + 1])
        scale = min(1.0, 0.55 * span / wanted) if wanted else 1.0
        length = span - scale * wanted
        a, b = spoken[vowel]
        natural = b - a
        placed[vowel] = (starts_s[k], starts_s[k] + length)
        if length > 1.2 * natural:
            song += [starts_s[k] + t for t in (0.0, 0.35 * natural, length - 0.45 * natural, length)]
            source += [a, a + 0.35 * natural, b - 0.45 * natural, b]
        else:
            song += [starts_s[k], starts_s[k] + length]
            source += [a, b]
        at = starts_s[k] + length + scale * closing
        for i, sound, silence in clusters[k + 1]:
            lay(i, at, scale * sound)
            at += scale * (sound + silence)
    # Points that fall together would make the map jump.
    song_s, source_s = np.array(song), np.array(source)
    rising = np.concatenate([[True], np.diff(song_s) > 1e-6])
    return song_s[rising], source_s[rising], placed


def melody_hz(line: Line, times_s: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """Pitch at each time: notes joined by glides, a scoop into the line, vibrato on long notes, a slow drift."""
    starts_s = np.array([eighth * EIGHTH_S for eighth, _ in line.notes])
    ends_s = np.append(starts_s[1:], line.end * EIGHTH_S)
    notes = np.array([note for _, note in line.notes], dtype=float)
    which = np.clip(np.searchsorted(starts_s - 0.025, times_s, side="right") - 1, 0, len(notes) - 1)
    steps = notes[which]
    frame_s = FRAME_MS / 1000
    window = np.hanning(round(0.075 / frame_s))
    half = len(window)
    midi = np.convolve(np.pad(steps, half, mode="edge"), window / window.sum(), "same")[half:-half]
    midi -= 0.7 * np.exp(-np.clip(times_s - starts_s[0] + 0.05, 0, None) / 0.05)
    for start_s, end_s in zip(starts_s, ends_s):
        if end_s - start_s > 0.42:
            inside = np.clip((times_s - start_s - 0.16) / 0.25, 0, 1) * np.clip((end_s - times_s) / 0.08, 0, 1)
            speed_hz = rng.uniform(5.1, 5.7)
            midi += 0.35 * inside * np.sin(2 * np.pi * speed_hz * (times_s - start_s) + rng.uniform(0, 6.28))
    drift = signal.filtfilt(*signal.butter(2, 3.0 * 2 * frame_s), rng.standard_normal(len(times_s) + 400))[200:-200]
    midi += 0.05 * drift / drift.std()
    return hz(midi)


@cache
def taken_apart(text: str) -> tuple[Utterance, np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """A spoken line, and by frame: whether it is voiced, its log spectrum, its roughness; the bins' frequencies."""
    said = speak(text, voice="en", pitch=52, rate=120, pitch_range=0)
    x = signal.resample_poly(said.samples.astype(np.float64), 320, 147)
    x = np.concatenate([x, np.zeros(RATE_HZ // 10)])
    f0, frames_s = pyworld.dio(x, RATE_HZ, f0_floor=70, f0_ceil=300, frame_period=FRAME_MS)
    f0 = pyworld.stonemask(x, f0, frames_s, RATE_HZ)
    voiced = np.zeros(len(f0), bool)
    for p in said.phonemes:
        if plain(p.name) not in VOICELESS:
            voiced |= (frames_s >= p.start_n / said.rate_hz) & (frames_s < p.end_n / said.rate_hz)
    # The spoken pitch is nearly level, so that it can be filled in where a voiced consonant hides it.
    known = f0 > 0
    f0 = np.where(voiced, np.interp(frames_s, frames_s[known], f0[known]), 0.0)
    envelope = pyworld.cheaptrick(x, f0, frames_s, RATE_HZ)
    rough = pyworld.d4c(x, f0, frames_s, RATE_HZ)

    bins_hz = np.linspace(0, RATE_HZ / 2, envelope.shape[1])
    log_envelope = np.log(envelope + 1e-14)
    # Formants a little higher: a smaller head than the synthesizer's.
    log_envelope = np.array([np.interp(bins_hz / 1.07, bins_hz, row) for row in log_envelope])
    # The synthesizer ends at 11 kHz; air above it continues what is under it.
    edge = (bins_hz > 8000) & (bins_hz < 10000)
    above = bins_hz >= 10000
    slope = np.where(voiced, 14.0, 7.0)[:, None] / 4.343 * np.log2(bins_hz[above] / 9000)[None, :]
    log_envelope[:, above] = log_envelope[:, edge].mean(axis=1)[:, None] - slope
    return said, voiced, log_envelope, rough, bins_hz


def sing(line: Line, rng: np.random.Generator) -> tuple[np.ndarray, float, list[tuple[str, float, float]]]:
    """Sing a line.

    Returns
    -------
    tuple
        Samples; the time of the first in seconds from the line's bar; words as (text, start, end) on the same clock.
    """
    said, voiced, log_envelope, rough, bins_hz = taken_apart(line.text)
    song_s, source_s, placed = place_phonemes(said, line)
    start_s, end_s = song_s[0] - 0.04, song_s[-1] + 0.12
    times_s = np.arange(start_s, end_s, FRAME_MS / 1000)
    from_s = np.interp(times_s, np.r_[start_s, song_s, end_s], np.r_[source_s[0] - 0.04, source_s, source_s[-1] + 0.12])
    index = np.clip(from_s / (FRAME_MS / 1000), 0, len(voiced) - 1.001)
    low = index.astype(int)
    part = (index - low)[:, None]
    sung_envelope = np.exp((1 - part) * log_envelope[low] + part * log_envelope[low + 1])
    sung_rough = (1 - part) * rough[low] + part * rough[low + 1]
    # A held synthetic vowel is too pure: breath in the upper range.
    breathy = np.clip(np.interp(bins_hz, [0, 1500, 5000, 12000], [0.02, 0.06, 0.32, 0.75]), 0, 1)
    sung_rough = np.clip(np.maximum(sung_rough, breathy[None, :]), 1e-6, 1 - 1e-6)
    sung_f0 = np.where(voiced[np.round(index).astype(int)], melody_hz(line, times_s, rng), 0.0)
    samples = pyworld.synthesize(
        sung_f0, np.ascontiguousarray(sung_envelope), np.ascontiguousarray(sung_rough), RATE_HZ, FRAME_MS
    )
    # Shaped at both ends; the last vowel is let go over 0.12 s.
    clock = start_s + np.arange(len(samples)) / RATE_HZ
    samples *= np.clip((clock - start_s) / 0.03, 0, 1) * np.clip((song_s[-1] + 0.05 - clock) / 0.12, 0, 1) ** 0.7

    starts = word_starts(said)
    words = []
    for (first, text), (after, _) in zip(starts, [*starts[1:], (len(said.phonemes), "")]):
        words.append((text, placed[first][0], placed[after - 1][1]))
    return samples, start_s, words


def breath(length_n: int, rng: np.random.Generator) -> np.ndarray:
    """Air drawn in: noise through three broad resonances, rising and cut off."""
    noise = rng.standard_normal(length_n + 4000)
    air = sum(
        gain * signal.sosfilt(signal.butter(2, (low, high), "band", fs=RATE_HZ, output="sos"), noise)
        for low, high, gain in ((700, 1500, 0.7), (2200, 3600, 1.0), (5000, 9000, 0.5))
    )[4000:]
    t = np.linspace(0, 1, length_n)
    shape = np.interp(t, [0, 0.25, 0.75, 0.93, 1], [0, 0.45, 1.0, 0.7, 0]) ** 1.2
    return air / air.std() * shape


@dataclass
class Truth:
    """What is known of the vocal, in seconds."""

    sections: list[tuple[float, float, str]]
    phrases: list[tuple[float, float, str]]
    words: list[list[tuple[float, float, str]]]
    breaths: list[tuple[float, float, str]]


def make_vocal(rng: np.random.Generator) -> tuple[np.ndarray, Truth, list[tuple[float, float, float]]]:
    """The vocal with its problems, its truth, and the problems as (start, end, dB)."""
    vocal = np.zeros(LENGTH_N)
    phrases, words = [], []
    for line in LINES:
        samples, start_s, sung = sing(line, rng)
        bar_s = line.bar * BAR_S
        at = round((bar_s + start_s) * RATE_HZ)
        vocal[at : at + len(samples)] += samples
        words.append([(bar_s + a, bar_s + b, text) for text, a, b in sung])
        phrases.append((words[-1][0][0], words[-1][-1][1], line.text))

    # A vocal that has been compressed: words are brought within a natural 1 dB or so of their line's level, choruses
    # are sung 1.5 dB louder, small words a little softer.
    own_db = [
        -20.0
        + (1.5 if line.section == "chorus" else 0.0)
        - (1.0 if text.lower() in SMALL_WORDS else 0.0)
        + rng.normal(0, 0.6)
        for line, line_words in zip(LINES, words)
        for _, _, text in line_words
    ]
    edges = [(round(a * RATE_HZ), round(b * RATE_HZ)) for line_words in words for a, b, _ in line_words]
    # Each word is begun anew: a small dip at its start inside a line.
    begun_db = np.zeros(LENGTH_N)
    for line_words in words:
        for start_s, _, _ in line_words[1:]:
            at = round(start_s * RATE_HZ)
            begun_db[at - round(0.025 * RATE_HZ) : at + round(0.03 * RATE_HZ)] = -5.0
    vocal *= 10 ** (rounded_db(begun_db, 0.04) / 20)
    middles = [(first + last) / 2 for first, last in edges]
    for _ in range(3):
        power = k_power(vocal)
        gains_db = [db - level_db(power[first:last]) for db, (first, last) in zip(own_db, edges)]
        held = np.full(LENGTH_N, np.nan)
        for gain_db, (first, last) in zip(gains_db, edges):
            held[first:last] = gain_db
        away = np.flatnonzero(np.isnan(held))
        held[away] = np.interp(away, middles, gains_db)
        vocal *= 10 ** (rounded_db(held, 0.08) / 20)

    problems, problem_db = [], np.zeros(LENGTH_N)
    for number, word, change_db in VOICE_PROBLEMS:
        start_s, end_s, _ = phrases[number] if word is None else words[number][word]
        problems.append((start_s, end_s, change_db))
        problem_db[round(start_s * RATE_HZ) : round(end_s * RATE_HZ)] += change_db
    vocal *= 10 ** (rounded_db(problem_db) / 20)

    breaths = []
    loud = 10 ** (-20.0 / 20)
    ends_s = [phrases[0][0] - 1.0] + [p[1] for p in phrases[:-1]]
    for gap_start_s, (next_s, _, _) in zip(ends_s, phrases):
        length_s = min(0.36, next_s - gap_start_s - 0.2)
        if length_s >= 0.16:
            start_s = next_s - 0.05 - length_s
            air = breath(round(length_s * RATE_HZ), rng) * loud * 10 ** (rng.uniform(-23, -20) / 20)
            first = round(start_s * RATE_HZ)
            vocal[first : first + len(air)] += air
            breaths.append((start_s, start_s + length_s, ""))

    # A little of a small room, so that it is not bone dry.
    t = np.arange(round(0.5 * RATE_HZ)) / RATE_HZ
    tail = signal.sosfilt(
        signal.butter(1, (300, 5000), "band", fs=RATE_HZ, output="sos"), rng.standard_normal(len(t)) * np.exp(-t / 0.11)
    )
    tail[: round(0.012 * RATE_HZ)] = 0
    tail *= 10 ** (-20 / 20) / np.sqrt((tail**2).sum())
    vocal = vocal + signal.fftconvolve(vocal, tail)[:LENGTH_N]
    vocal = signal.sosfilt(signal.butter(2, 80, "high", fs=RATE_HZ, output="sos"), vocal)
    vocal *= 10 ** (VOCAL_PEAK_DBFS / 20) / np.abs(vocal).max()

    sections = []
    for name, bar, lines in FORM:
        own = [p for line, p in zip(LINES, phrases) if bar <= line.bar < bar + len(lines)]
        sections.append((own[0][0] - 0.12, own[-1][1] + 0.12, name))
    return vocal, Truth(sections, phrases, words, breaths), problems


SMALL_WORDS = {"on", "the", "in", "and", "it", "my", "by", "me", "are", "of", "i", "will", "your", "till"}


# ------------------------------------------------------------------------------------------------ the band


def put(target: np.ndarray, at: int, sound: np.ndarray, pan: float = 0.0, gain_db: float = 0.0) -> None:
    """Add a mono sound to a stereo track; `pan` from -1 (left) to 1 (right) at constant power."""
    sound = sound[: max(0, len(target) - at)]
    angle = (pan + 1) * np.pi / 4
    target[at : at + len(sound)] += sound[:, None] * np.array([np.cos(angle), np.sin(angle)]) * 10 ** (gain_db / 20)


def clock(seconds: float) -> np.ndarray:
    """Times of the frames of a sound."""
    return np.arange(round(seconds * RATE_HZ)) / RATE_HZ


def band_noise(seconds: float, low_hz: float, high_hz: float, rng: np.random.Generator) -> np.ndarray:
    """Noise between two frequencies, rms 1."""
    noise = rng.standard_normal(round(seconds * RATE_HZ))
    noise = signal.sosfilt(signal.butter(2, (low_hz, high_hz), "band", fs=RATE_HZ, output="sos"), noise)
    return noise / noise.std()


@cache
def kick() -> np.ndarray:
    """Bass drum: a sine that falls in pitch."""
    t = clock(0.35)
    phase = 2 * np.pi * np.cumsum(48 + 75 * np.exp(-t / 0.03)) / RATE_HZ
    return np.sin(phase) * np.exp(-t / 0.11) * np.clip(t / 0.002, 0, 1)


def snare(rng: np.random.Generator) -> np.ndarray:
    """Snare drum, played softly: two modes and the wires."""
    t = clock(0.28)
    modes = np.sin(2 * np.pi * 186 * t) * np.exp(-t / 0.06) + 0.5 * np.sin(2 * np.pi * 331 * t) * np.exp(-t / 0.04)
    return (0.6 * modes + 0.25 * band_noise(0.28, 1200, 5500, rng) * np.exp(-t / 0.075)) * np.clip(t / 0.001, 0, 1)


def hat(rng: np.random.Generator, length_s: float = 0.05) -> np.ndarray:
    """Closed cymbal."""
    t = clock(6 * length_s)
    return 0.25 * band_noise(6 * length_s, 5500, 9500, rng) * np.exp(-t / length_s) * np.clip(t / 0.001, 0, 1)


def crash(rng: np.random.Generator) -> np.ndarray:
    """Cymbal that rings."""
    t = clock(2.2)
    return 0.3 * band_noise(2.2, 2500, 9000, rng) * np.exp(-t / 0.4) * np.clip(t / 0.002, 0, 1)


@cache
def bass_note(note: float, seconds: float) -> np.ndarray:
    """Bass guitar: a few harmonics, the upper ones soon gone."""
    t = clock(seconds)
    tone = sum(np.sin(2 * np.pi * hz(note) * k * t) * np.exp(-t * (0.9 + 1.6 * k)) / k**1.1 for k in range(1, 9))
    return tone * np.clip(t / 0.006, 0, 1) * np.clip((seconds - t) / 0.05, 0, 1)


@cache
def piano_note(note: float, seconds: float, hard: float = 1.0) -> np.ndarray:
    """Electric piano: a tine and a bar, brighter when struck harder, by phase modulation."""
    t = clock(seconds)
    f = hz(note)
    body = np.sin(2 * np.pi * f * t + 0.9 * hard * np.exp(-t / 0.35) * np.sin(2 * np.pi * f * t))
    tine = 0.16 * hard * np.sin(2 * np.pi * 7.0 * f * t) * np.exp(-t / 0.12) * (7.0 * f < 9000)
    ring = np.exp(-t / (1.6 - 0.012 * (note - 50)))
    return (body + tine) * ring * np.clip(t / 0.003, 0, 1) * np.clip((seconds - t) / 0.09, 0, 1)


def pluck(note: float, seconds: float, rng: np.random.Generator) -> np.ndarray:
    """Plucked string: a delay line with losses (Karplus and Strong), tuned by a fractional delay."""
    period = RATE_HZ / hz(note)
    whole = int(period - 0.5)
    part = period - 0.5 - whole
    burst = signal.lfilter([0.2], [1, -0.8], rng.uniform(-1, 1, whole))
    drive = np.zeros(round(seconds * RATE_HZ))
    drive[:whole] = burst - burst.mean()
    loss = 0.5 * 0.9965
    feedback = np.zeros(whole + 3)
    feedback[0] = 1.0
    for tap, gain in ((0, loss * (1 - part)), (1, loss), (2, loss * part)):
        feedback[whole + tap] -= gain
    sound = signal.lfilter([1.0], feedback, drive)
    sound = signal.sosfilt(signal.butter(3, 3000, fs=RATE_HZ, output="sos"), sound)
    t = clock(seconds)
    return sound / np.abs(sound).max() * np.clip((seconds - t) / 0.06, 0, 1)


def string_note(note: float, seconds: float, attack_s: float, rng: np.random.Generator) -> np.ndarray:
    """String section: five detuned players, each a falling series of harmonics."""
    t = clock(seconds)
    tone = np.zeros(len(t))
    cycle = np.arange(4097) / 4096
    table = sum(
        np.sin(2 * np.pi * k * cycle) / k / (1 + (k * hz(note) / 2200) ** 2) ** 0.5
        for k in range(1, 11)
        if k * hz(note) < 6500
    )
    for _ in range(5):
        f = hz(note + rng.normal(0, 0.06))
        sway = 0.05 * np.sin(2 * np.pi * rng.uniform(4.6, 5.6) * t + rng.uniform(0, 6.28)) / 12
        phase = f * np.cumsum(2.0**sway) / RATE_HZ + rng.uniform(0, 1)
        tone += np.interp(phase % 1.0, cycle, table)
    return tone / 5 * np.clip(t / attack_s, 0, 1) ** 1.5 * np.clip((seconds - t) / 0.35, 0, 1)


def hall(track: np.ndarray, rng: np.random.Generator, wet_db: float, wide: bool) -> np.ndarray:
    """The track with a hall around it: two different tails, or one in the middle (which packs smaller)."""
    t = clock(1.4)
    wet = []
    for _ in range(2 if wide else 1):
        tail = rng.standard_normal(len(t)) * np.exp(-t / 0.3) * np.clip(t / 0.02, 0, 1)
        tail = signal.sosfilt(signal.butter(1, (200, 3000), "band", fs=RATE_HZ, output="sos"), tail)
        tail *= 10 ** (wet_db / 20) / np.sqrt((tail**2).sum())
        wet.append(signal.fftconvolve(track.sum(axis=1) / 1.414, tail)[: len(track)])
    return track + np.stack(wet, axis=1)


def is_chorus(bar: int) -> bool:
    """Whether a bar belongs to a chorus."""
    return 5 <= bar < 9 or 14 <= bar < 18


def make_drums(rng: np.random.Generator) -> np.ndarray:
    """Bass drum, snare, cymbals."""
    track = np.zeros((LENGTH_N, 2))
    for bar in range(1, BARS_N - 1):
        chorus, last = is_chorus(bar), bar == BARS_N - 2
        for eighth in (0, 4.0) if not chorus else (0, 3, 4, 7):
            put(track, at_n(bar, eighth), kick(), 0, 4 if eighth == 0 else 2)
        for eighth in (2, 6):
            put(track, at_n(bar, eighth), snare(rng), 0, -1 if chorus else -5)
        for step in range(16 if chorus else 8):
            eighth = step / 2 if chorus else step
            put(track, at_n(bar, eighth), hat(rng), 0, (-11 if eighth % 2 == 0 else -15) + rng.normal(0, 0.7))
        if bar in (4, 13):
            for i, eighth in enumerate((6, 6.5, 7, 7.5)):
                put(track, at_n(bar, eighth), snare(rng), 0, -9 + 2 * i)
        if bar in (5, 14) or last:
            put(track, at_n(bar), crash(rng), 0, -8)
    return track


def make_bass(rng: np.random.Generator) -> np.ndarray:
    """Bass guitar."""
    track = np.zeros((LENGTH_N, 2))
    for half, (root, _) in enumerate(CHORDS):
        bar, start = half // 2, 4 * (half % 2)
        if bar == 0:
            continue
        if bar >= BARS_N - 1:
            if half == len(CHORDS) - 2:
                put(track, at_n(bar), bass_note(root, 2.4), 0, -3)
            continue
        pattern = ((0, 1.4), (1.5, 1.3), (3, 0.9)) if is_chorus(bar) else ((0, 2.6), (3, 0.9))
        for eighth, length in pattern:
            put(track, at_n(bar, start + eighth), bass_note(root, length * EIGHTH_S), 0, -3 + rng.normal(0, 0.4))
    return track


def make_guitar(rng: np.random.Generator) -> np.ndarray:
    """Plucked chords, note by note."""
    track = np.zeros((LENGTH_N, 2))
    for half, (_, voicing) in enumerate(CHORDS):
        bar, start = half // 2, 4 * (half % 2)
        if bar >= BARS_N - 1:
            continue
        for i, order in enumerate((0, 2, 1, 3) if half % 2 == 0 else (3, 1, 2, 0)):
            note = voicing[order]
            place = at_n(bar, start + i) + round(rng.normal(0, 0.004) * RATE_HZ)
            put(track, max(0, place), pluck(note, 1.1, rng), -0.35, -9 + rng.normal(0, 0.8))
    return track


def make_piano(rng: np.random.Generator) -> np.ndarray:
    """Electric piano chords."""
    track = np.zeros((LENGTH_N, 2))
    for half, (_, voicing) in enumerate(CHORDS):
        bar, start = half // 2, 4 * (half % 2)
        if bar == BARS_N - 1:
            if half % 2 == 0:
                for i, note in enumerate(voicing):
                    put(track, at_n(bar) + 900 * i, piano_note(note, 3.2, 0.7), 0.25, -11)
            continue
        strikes = ((0, 1.4, 1.0), (1.5, 2.4, 0.8)) if is_chorus(bar) else ((0, 3.9, 0.7),)
        for eighth, length, hard in strikes:
            for i, note in enumerate(voicing):
                place = at_n(bar, start + eighth) + 250 * i
                put(track, place, piano_note(note, length * EIGHTH_S, hard), 0.25, -12 + rng.normal(0, 0.5))
    t = np.arange(LENGTH_N) / RATE_HZ
    sway = 1.2 * np.sin(2 * np.pi * 4.5 * t)
    return track * 10 ** (np.stack([sway, -sway], axis=1) / 20)


def make_strings(rng: np.random.Generator) -> np.ndarray:
    """Strings in the choruses and the end: low and soft in the first, wide and high in the second."""
    track = np.zeros((LENGTH_N, 2))
    for half in range(0, len(CHORDS), 1):
        bar = half // 2
        if not (is_chorus(bar) or bar in (9, 18)):
            continue
        second = bar >= 14
        seconds = 4 * EIGHTH_S + 0.3
        for i, note in enumerate(CHORDS[half][1]):
            pan = (-0.7, 0.5, -0.3, 0.8)[i]
            put(
                track, at_n(bar, 4 * (half % 2)), string_note(note, seconds, 0.25, rng), pan, -15 if not second else -12
            )
            if second:
                put(track, at_n(bar, 4 * (half % 2)), string_note(note + 12, seconds, 0.3, rng), -pan, -15)
    return track


def make_bed(truth: Truth, rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray]:
    """Band (drums, bass, guitar) and keys (electric piano, strings) at their levels to each other."""
    drums, bass, guitar = make_drums(rng), make_bass(rng), make_guitar(rng)
    piano, strings = make_piano(rng), make_strings(rng)
    # The word that is covered: a cymbal and a stab of the keys on its vowel.
    line, word = COVERED_WORD
    at = at_n(LINES[line].bar, LINES[line].notes[word][0])
    put(drums, at, crash(rng), 0, 4.0)
    for i, note in enumerate((57, 61, 64, 69, 73)):
        put(piano, at + 120 * i, piano_note(note, 0.7, 1.5), 0.1, -0.5)
    band = 1.3 * drums + 0.8 * bass + hall(1.3 * guitar, rng, -17, wide=False)
    keys = hall(0.65 * piano + 0.9 * strings, rng, -14, wide=True)

    # Section levels by arrangement come near; the rest is how the players play. Verse 0, chorus 1.5, then the swell.
    def sections_db(power: np.ndarray) -> list[float]:
        return [level_db(power[round(a * RATE_HZ) : round(b * RATE_HZ)]) for a, b, _ in truth.sections]

    verse_1, chorus_1, verse_2, chorus_2 = sections_db(k_power(band + keys))
    play_db = np.zeros(LENGTH_N)
    for bars, change_db in (
        ((4.98, 9.0), verse_1 + 1.5 - chorus_1),
        ((9.98, 14.0), verse_1 - verse_2),
        ((13.98, 18.0), verse_1 + 1.5 + SWELL_DB - chorus_2),
    ):
        play_db[at_n(bars[0]) : at_n(bars[1])] = change_db
    play = 10 ** (rounded_db(play_db, 0.35) / 20)[:, None]
    return band * play, keys * play


# ------------------------------------------------------------------------------------------------ the files


def write_rows(path: Path, header: list[str], rows: list[list[object]]) -> None:
    """A CSV file."""
    with path.open("w", encoding="utf-8", newline="") as file:
        writer = csv.writer(file, lineterminator="\r\n")
        writer.writerow(header)
        writer.writerows(rows)


def timed(start_s: float, end_s: float) -> list[object]:
    """Two times to the millisecond."""
    return [f"{start_s:.3f}", f"{end_s:.3f}"]


def main() -> int:
    parser = argparse.ArgumentParser(description="Make the demo song with its true times")
    parser.add_argument("--out", type=Path, default=HERE)
    out = parser.parse_args().out
    out.mkdir(parents=True, exist_ok=True)
    rng = np.random.default_rng(1907)
    vocal, truth, problems = make_vocal(rng)
    band, keys = make_bed(truth, rng)

    # The static balance as it is heard: a mono vocal goes at full amplitude to both sides and so counts twice.
    sung = np.zeros(LENGTH_N, bool)
    for start_s, end_s, _ in truth.phrases:
        sung[round(start_s * RATE_HZ) : round(end_s * RATE_HZ)] = True
    balance_lu = level_db(2 * k_power(vocal)[sung]) - level_db(k_power(band + keys)[sung])
    bed_gain = 10 ** ((balance_lu - SONG_BALANCE_LU) / 20)
    band, keys = band * bed_gain, keys * bed_gain
    mix_peak = np.abs(vocal[:, None] + band + keys).max()
    print(f"balance {balance_lu:.2f} LU before, mix peak {20 * np.log10(mix_peak):.2f} dBFS")
    if mix_peak >= 1.0:
        scale = 0.97 / mix_peak
        vocal, band, keys = vocal * scale, band * scale, keys * scale
        print(f"all stems {20 * np.log10(scale):.2f} dB")

    for name, samples in (("vocal", vocal), ("band", band), ("keys", keys)):
        # The bed's last bits are left empty: their noise stays under -85 dBFS and the files are much smaller.
        samples = np.round(samples * STEPS[name]) / STEPS[name]
        soundfile.write(out / f"{name}.flac", samples, RATE_HZ, subtype="PCM_16", compression_level=1.0)

    lyric = []
    for name, _, lines in FORM:
        lyric.append(f"[{name}]\n" + "".join(text + "\n" for text, *_ in lines))
    (out / "lyric.txt").write_text("\n".join(lyric), encoding="utf-8")

    rows: list[list[object]] = [["section", *timed(a, b), label] for a, b, label in truth.sections]
    rows += [["phrase", *timed(a, b), label] for a, b, label in truth.phrases]
    rows += [["word", *timed(a, b), label] for line in truth.words for a, b, label in line]
    rows += [["breath", *timed(a, b), label] for a, b, label in truth.breaths]
    write_rows(out / "words.csv", ["kind", "start_s", "end_s", "label"], rows)

    known: list[list[object]] = []
    for (number, word, change_db), (start_s, end_s, _) in zip(VOICE_PROBLEMS, problems):
        kind = "phrase" if word is None else "word"
        label = LINES[number].text if word is None else truth.words[number][word][2]
        known.append([kind, *timed(start_s, end_s), label, "voice", f"{change_db:+.1f}"])
    start_s, end_s, label = truth.words[COVERED_WORD[0]][COVERED_WORD[1]]
    bed_power = k_power(band + keys)
    first, last = round(start_s * RATE_HZ), round(end_s * RATE_HZ)
    phrase = truth.phrases[COVERED_WORD[0]]
    around = np.r_[bed_power[round(phrase[0] * RATE_HZ) - RATE_HZ : first]]
    known.append(
        ["word", *timed(start_s, end_s), label, "bed", f"{level_db(bed_power[first:last]) - level_db(around):+.1f}"]
    )
    known.append(["section", *timed(*truth.sections[3][:2]), "chorus", "bed", f"{SWELL_DB:+.1f}"])
    known.sort(key=lambda row: float(str(row[1])))
    write_rows(out / "known_problems.csv", ["kind", "start_s", "end_s", "label", "in", "change_db"], known)
    return 0


if __name__ == "__main__":
    sys.exit(main())
