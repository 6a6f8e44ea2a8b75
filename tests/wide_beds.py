"""Made beds as a stereo mix has them: bass and drums in the middle, chords and figures at the sides, room around.

    from tests.wide_beds import BEDS, wide_bed, in_a_room
    bed = wide_bed(BEDS[0], 44100, 30.0)         # float64, (frames, 2)
    vocal = in_a_room(mono, 44100, seed=1)       # the same voice with stereo reverberation
    mix = mastered(vocal + bed, 44100)           # through one compressor, and rounded at the top

All is computed from a seed, so that the same bed comes out each time.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np


@dataclass(frozen=True)
class Bed:
    """Recipe of a bed.

    Parameters
    ----------
    seed : int
        Of all that is drawn by lot: chords, figures, noise.
    tempo_bpm : float
        Quarter notes in a minute.
    drums_db, bass_db, chords_db, figure_db, pad_db : float
        Peak level of each part before the room.
    chord_pan, figure_pan : float
        Where they stand: -1 left, 0 the middle, 1 right. A second player of the chords stands on the other side.
    partials_n : int
        Partials of a tone of the chords: few are dull, many bright.
    room_db : float
        Level of the reverberation against what goes into it.
    """

    seed: int
    tempo_bpm: float
    drums_db: float
    bass_db: float
    chords_db: float
    figure_db: float
    pad_db: float
    chord_pan: float
    figure_pan: float
    partials_n: int
    room_db: float


BEDS = (
    Bed(1, 92, -8, -12, -14, -18, -24, 0.8, -0.4, 10, -16),
    Bed(2, 124, -6, -10, -12, -22, -18, 0.95, 0.5, 20, -20),
    Bed(3, 72, -18, -14, -10, -14, -12, 0.5, 0.3, 6, -10),
    Bed(4, 108, -10, -10, -16, -12, -16, 0.7, 0.15, 14, -14),
    Bed(5, 140, -5, -9, -9, -30, -30, 1.0, -0.7, 24, -24),
    Bed(6, 84, -60, -16, -8, -20, -14, 0.35, -0.6, 8, -12),
)
"""Beds that differ in what is loud and where it stands."""

_ROOTS = (0, 5, 7, 9, 2, 4)
_CHORD = (0, 7, 12, 16)


def wide_bed(bed: Bed, rate_hz: int, length_s: float) -> np.ndarray:
    """Bed of a recipe, float64, shape (frames, 2), peak under full scale."""
    random = np.random.default_rng(bed.seed)
    length_n = round(length_s * rate_hz)
    beat_n = round(60.0 / bed.tempo_bpm * rate_hz)
    out = np.zeros((length_n, 2))
    sent = np.zeros((length_n, 2))

    def add(sound: np.ndarray, at_n: int, gain_db: float, pan: float) -> None:
        sound = sound[: max(0, length_n - at_n)] * 10.0 ** (gain_db / 20.0)
        angle = (pan + 1.0) * np.pi / 4.0
        stereo = np.outer(sound, (np.cos(angle), np.sin(angle)))
        out[at_n : at_n + len(sound)] += stereo
        sent[at_n : at_n + len(sound)] += stereo

    key = 36 + random.integers(0, 12)
    bars = [int(random.choice(_ROOTS)) for _ in range(4)]
    for beat in range(length_n // beat_n + 1):
        at_n = beat * beat_n
        bar, inside = divmod(beat, 4)
        root = key + bars[bar % 4]
        add(_kick(rate_hz) if inside % 2 == 0 else _snare(rate_hz, random), at_n, bed.drums_db, 0.0)
        for half in (0, beat_n // 2):
            add(_hat(rate_hz, random), at_n + half, bed.drums_db - 14.0, 0.4)
            add(_tone(rate_hz, root, beat_n // 2, 8, 0.4), at_n + half, bed.bass_db, 0.0)
        if inside % 2 == 0:
            for note in _CHORD:
                for side, detune in ((bed.chord_pan, 0.0), (-bed.chord_pan, 0.07)):
                    note_n = 2 * beat_n
                    tone = _tone(rate_hz, root + 12 + note + detune, note_n, bed.partials_n, 1.5)
                    add(tone, at_n + int(random.integers(0, rate_hz // 100)), bed.chords_db - 6.0, side)
        if inside == 0:
            for note in _CHORD[1:]:
                for side in (-0.9, 0.9):
                    pad = _tone(rate_hz, root + 24 + note + random.normal(0.0, 0.06), 4 * beat_n, 5, 50.0)
                    add(pad * np.sin(np.linspace(0.0, np.pi, len(pad))), at_n, bed.pad_db, side)
        if random.random() < 0.7:
            step = int(random.choice((0, 2, 4, 7, 9)))
            add(_tone(rate_hz, root + 24 + step, beat_n, bed.partials_n, 0.6), at_n, bed.figure_db, bed.figure_pan)
    out += _reverberation(sent, rate_hz, 1.4, random) * 10.0 ** (bed.room_db / 20.0)
    return out * (0.5 / np.abs(out).max())


def in_a_room(mono: np.ndarray, rate_hz: int, seed: int, room_db: float = -14.0, seconds: float = 1.2) -> np.ndarray:
    """Voice in the middle with stereo reverberation, float64, shape (frames, 2)."""
    stereo = np.repeat(np.asarray(mono, np.float64)[:, None], 2, axis=1)
    room = _reverberation(stereo, rate_hz, seconds, np.random.default_rng(seed))
    return stereo + room * 10.0 ** (room_db / 20.0)


def doubled(mono: np.ndarray, rate_hz: int, seed: int) -> np.ndarray:
    """Voice in the middle with a late, wavering copy 9 dB under it at either side and a little room."""
    stereo = in_a_room(mono, rate_hz, seed, room_db=-20.0)
    at = np.arange(len(mono))
    for side, (late_s, waver_hz) in enumerate(((0.022, 0.7), (0.031, 1.1))):
        read_at = at - late_s * rate_hz + 0.002 * rate_hz * np.sin(2.0 * np.pi * waver_hz * at / rate_hz)
        stereo[:, side] += 0.35 * np.interp(read_at, at, mono)
    return stereo


def mastered(mix: np.ndarray, rate_hz: int) -> np.ndarray:
    """Mix through a compressor of 2 to 1 that holds its loudest third down, and rounded at the top."""
    from scipy.ndimage import uniform_filter1d

    power = uniform_filter1d((mix**2).mean(axis=1), round(0.1 * rate_hz))
    level_db = 10.0 * np.log10(power + 1e-9)
    gain_db = -0.5 * np.maximum(level_db - np.percentile(level_db, 65), 0.0)
    pressed = mix * 10.0 ** (gain_db[:, None] / 20.0)
    return np.asarray(np.tanh(1.5 * pressed / np.abs(pressed).max()))


def _reverberation(sent: np.ndarray, rate_hz: int, seconds: float, random: np.random.Generator) -> np.ndarray:
    """Reverberation of its own on either side, with the energy of what is sent."""
    from scipy.signal import oaconvolve

    tail_n = round(seconds * rate_hz)
    fade = np.exp(-6.9 * np.arange(tail_n) / tail_n)
    noise = random.normal(size=(tail_n, 2)) * fade[:, None]
    noise /= np.sqrt((noise**2).sum(axis=0))
    return np.asarray(oaconvolve(sent.mean(axis=1, keepdims=True), noise, axes=0)[: len(sent)])


def _tone(rate_hz: int, note: float, length_n: int, partials_n: int, decay_s: float) -> np.ndarray:
    time_s = np.arange(length_n) / rate_hz
    base_hz = 440.0 * 2.0 ** ((note - 69.0) / 12.0)
    tone = np.zeros(length_n)
    for partial in range(1, partials_n + 1):
        if partial * base_hz < 0.4 * rate_hz:
            tone += np.sin(2.0 * np.pi * partial * base_hz * time_s + partial) / partial
    edge = np.minimum(1.0, np.minimum(np.arange(length_n), np.arange(length_n)[::-1]) / (0.005 * rate_hz))
    return tone * np.exp(-time_s / decay_s) * edge * 0.5


def _kick(rate_hz: int) -> np.ndarray:
    time_s = np.arange(round(0.25 * rate_hz)) / rate_hz
    return np.sin(2.0 * np.pi * (50.0 * time_s - 4.0 * np.exp(-time_s / 0.03))) * np.exp(-time_s / 0.08)


def _snare(rate_hz: int, random: np.random.Generator) -> np.ndarray:
    time_s = np.arange(round(0.2 * rate_hz)) / rate_hz
    body = np.sin(2.0 * np.pi * 190.0 * time_s) * np.exp(-time_s / 0.05)
    return 0.5 * body + 0.3 * random.normal(size=len(time_s)) * np.exp(-time_s / 0.06)


def _hat(rate_hz: int, random: np.random.Generator) -> np.ndarray:
    length_n = round(0.06 * rate_hz)
    noise = np.diff(random.normal(size=length_n + 2), 2)
    return 0.3 * noise * np.exp(-np.arange(length_n) / (0.02 * rate_hz))
