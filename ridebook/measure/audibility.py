"""Audibility of words: the speech intelligibility index of ANSI S3.5-1997, with the bed as the noise.

The index says how much of a voice's speech information a noise leaves, 0 to 1: in each third-octave band the part of
the voice's 30 dB of speech dynamics that stands over what masks it, weighted by what the band matters for speech.
After Rhebergen and Versfeld (2005, JASA 117:2181-2192) the index is taken in short frames of the noise and averaged, so
that a word between two drum hits is heard and the same word under a pad of the same power is not.

Limits. The index was made and tested for speech, not for singing; no importance function for sung lyrics was found, so
that for average speech stands in. It knows one ear, no pitch, no language and no time: what masks after it has
ended is not in it, a voice apart from the bed in the panorama is heard better than it says. Bands over half the sample
rate are silent, so that under 18 kHz the index is too low.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from ridebook.measure.bands import BELOW_N, PairBands, StemBands
from ridebook.measure.loudness import integrated_lufs, loudness_lufs
from ridebook.measure.measures import CELLS_PER_S, Measures, StemMeasures

# ANSI S3.5-1997, one-third-octave procedure: Table 3 and clauses 4.2 to 4.8, by way of open programs that agree with
# each other (see shared/sii_third_octave.csv and shared/sii_examples.json); the standard itself was not at hand.
NOMINAL_HZ = (160, 200, 250, 315, 400, 500, 630, 800, 1000, 1250, 1600, 2000, 2500, 3150, 4000, 5000, 6300, 8000)
BANDWIDTH_DB = tuple(15.65 + i for i in range(18))
"""Ten times the logarithm of each band's width in Hz."""
NORMAL_SPEECH_DB = (
    *(32.41, 34.48, 34.75, 33.98, 34.59, 34.27, 32.06, 28.30, 25.01),
    *(23.00, 20.15, 17.32, 13.18, 11.55, 9.33, 5.31, 2.59, 1.13),
)
"""Spectrum levels of normal speech at 1 m, 62.35 dB SPL in all."""
INTERNAL_NOISE_DB = (
    *(0.6, -1.7, -3.9, -6.1, -8.2, -9.7, -10.8, -11.9, -12.5),
    *(-13.5, -15.4, -17.7, -21.2, -24.2, -25.9, -23.6, -15.8, -7.1),
)
"""Spectrum levels of a noise that would hide just what a normal ear does not hear."""
IMPORTANCE = (
    *(0.0083, 0.0095, 0.0150, 0.0289, 0.0440, 0.0578, 0.0653, 0.0711, 0.0818),
    *(0.0844, 0.0882, 0.0898, 0.0868, 0.0844, 0.0771, 0.0527, 0.0364, 0.0185),
)
"""What each band matters for average speech; the sum is 1."""
NO_NOISE_DB = -50.0
"""Spectrum level that stands for no noise."""

BANDS_N = len(NOMINAL_HZ)

LISTENING_DB = 75.0
"""Sound pressure level at which the mix is heard, in dB re 20 uPa.

Between the 76 to 82 dB SPL at which rooms from small to large are set up for mixing (ATSC A/85, from memory) and the
level of listening at home, about 70 (common practice, no source). The choice matters little: the voice and what hides
it shift together, and at these levels neither the ear's threshold nor distortion by level has much to say. In a bed of
the voice's own spectrum 10 dB less raise an index of a third by 0.02 and 10 dB more lower it by 0.035, as much as
1 dB of balance does.
"""

OWN_S = 0.5
"""So long a word counts as much for its spectrum as all that the voice sings (a choice of this program).

The index is made for the spectrum of long speech: the 30 dB in each band are what speech does around it. One word lasts
too short to show it: a vowel of a closed mouth has nothing at 4 kHz, a high note nothing between its harmonics, and
neither is lost for that. The voice's own spectrum over the whole song, at the word's power, says what is usual; the
word's own says what is meant to be heard here.
"""

LOST = 1.0 / 3.0
"""A word with less audibility than this is lost.

The standard calls communication poor under 0.45 and good over 0.75 (from memory). Where listeners repeat half of
everyday sentences right, the index is about a third, in steady and in fluctuating noise (Rhebergen and Versfeld 2005,
from memory). Half of the lyric gone is lost by any measure; between a third and 0.45 a word is hard to follow but not
gone, and popular mixes stand there on purpose. In a steady bed of the voice's own spectrum a third is reached 3 to
4 dB under the bed.
"""


def intelligibility_index(
    speech_db: np.ndarray,
    noise_db: np.ndarray,
    threshold_db: np.ndarray | float = 0.0,
    importance: np.ndarray | tuple[float, ...] = IMPORTANCE,
) -> np.ndarray:
    """Speech intelligibility index by the one-third-octave procedure of ANSI S3.5-1997.

    Parameters
    ----------
    speech_db, noise_db : ndarray
        Spectrum levels in dB re 20 uPa per Hz, shape (..., 18), which broadcast; `NO_NOISE_DB` for no noise.
    threshold_db : ndarray or float
        Hearing threshold over the normal one in dB, 0 for normal hearing; 1.7 less for two ears.
    importance : array_like
        What each band matters, shape (18,).

    Returns
    -------
    ndarray
        The index, the broadcast shape without its last axis, in the precision of the levels.
    """
    information = band_information(speech_db, noise_db, threshold_db)
    return np.asarray(information @ np.asarray(importance, information.dtype))


def band_information(speech_db: np.ndarray, noise_db: np.ndarray, threshold_db: np.ndarray | float = 0.0) -> np.ndarray:
    """Part of each band's speech information that is heard, 0 to 1, shape (..., 18); parameters as for the index."""
    speech, noise, threshold = _bands_first(speech_db, noise_db, threshold_db)
    return np.moveaxis(_information(speech, noise, threshold), 0, -1)


def masking_db(speech_db: np.ndarray, noise_db: np.ndarray, threshold_db: np.ndarray | float = 0.0) -> np.ndarray:
    """Spectrum level that hides what lies under it: of the noise with what spreads up from lower bands, or of the ear.

    Parameters as for `intelligibility_index`.

    Returns
    -------
    ndarray
        Shape (..., 18): the equivalent disturbance spectrum level of the standard.
    """
    return np.moveaxis(_masking_db(*_bands_first(speech_db, noise_db, threshold_db)), 0, -1)


def _bands_first(*levels: np.ndarray | float) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Levels of one precision and shape with the bands as their first axis, so that sums run over whole frames."""
    kind = np.result_type(levels[0], levels[1], np.float32)
    speech, noise, threshold = np.broadcast_arrays(*(np.asarray(each, kind) for each in levels))
    return np.moveaxis(speech, -1, 0), np.moveaxis(noise, -1, 0), np.moveaxis(threshold, -1, 0)


def _information(speech: np.ndarray, noise: np.ndarray, threshold: np.ndarray | None = None) -> np.ndarray:
    """`band_information`, bands first."""
    hidden_db = _masking_db(speech, noise, threshold)
    undistorted = np.minimum(1.0 - (speech - _column(NORMAL_SPEECH_DB, speech) - 10.0) / 160.0, 1.0)
    return np.asarray(undistorted * np.clip((speech - hidden_db + 15.0) / 30.0, 0.0, 1.0))


def _masking_db(speech: np.ndarray, noise: np.ndarray, threshold: np.ndarray | None = None) -> np.ndarray:
    """`masking_db`, bands first."""
    sources = np.maximum(speech - 24.0, noise)
    hidden = np.empty_like(sources)
    hidden[0] = sources[0]
    for i in range(1, BANDS_N):
        power = np.exp(sources[:i] * _column(_SPREAD_SLOPES[i, :i], noise) + _column(_SPREAD_OFFSETS[i, :i], noise))
        hidden[i] = _PER_NEPER_DB * np.log(np.exp(noise[i] / _PER_NEPER_DB) + power.sum(axis=0))
    ear = _column(INTERNAL_NOISE_DB, noise)
    return np.asarray(np.maximum(hidden, ear if threshold is None else ear + threshold))


def _column(values: np.ndarray | tuple[float, ...], like: np.ndarray) -> np.ndarray:
    """One value for each band, in the precision of `like` and with as many axes."""
    return np.asarray(values, like.dtype).reshape((-1,) + (1,) * (like.ndim - 1))


_PER_NEPER_DB = 10.0 / np.log(10.0)


def _spread_tables() -> tuple[np.ndarray, np.ndarray]:
    """How the power that band k spreads to band i follows from the level B_k: ``exp(slope * B_k + offset)``.

    With C_k = -80 + 0.6 (B_k + 10 log10 F_k - 6.353) the level B_k + 3.32 C_k log10(0.89 F_i / F_k) is linear in B_k.
    """
    hz = np.array(NOMINAL_HZ, dtype=np.float64)
    octaves = 3.32 * np.log10(0.89 * hz[:, None] / hz[None, :])
    return (
        (1.0 + 0.6 * octaves) / _PER_NEPER_DB,
        octaves * (-80.0 + 0.6 * (10.0 * np.log10(hz) - 6.353)) / _PER_NEPER_DB,
    )


_SPREAD_SLOPES, _SPREAD_OFFSETS = _spread_tables()


def mix_loudness_lufs(measures: Measures) -> float:
    """Integrated loudness of voice and bed together over the vocal, from their powers as if they had nothing in common.

    Without gates where all is under the absolute one.

    Parameters
    ----------
    measures : Measures
        Measures of the pair.
    """
    power = measures.vocal.cell_power + measures.bed.cell_power
    gated_lufs = integrated_lufs(StemMeasures(measures.rate_hz, measures.frames_n, power))
    # Under -70 LUFS nothing passes the gate, though such a pair can be turned up and heard.
    return gated_lufs if math.isfinite(gated_lufs) else float(loudness_lufs(power.mean()))


def listening_offset_db(mix_lufs: float, listening_db: float = LISTENING_DB) -> float:
    """Sound pressure level of what has 0 dB of power, when the mix plays at `listening_db`.

    The whole mapping from samples to the ear is this number: a band of power p is heard at ``10 log10(p)`` plus it, in
    dB SPL. Loudness is taken for level, as it is by whoever sets a monitor by a meter: a tone of 1 kHz that reads as
    loud as the mix plays at `listening_db`. For full mixes the two differ by a few dB at most, which matters little
    (see `LISTENING_DB`).

    Parameters
    ----------
    mix_lufs : float
        Integrated loudness of voice and bed together.
    listening_db : float
        Level at which that is heard, dB SPL.
    """
    return listening_db - mix_lufs


def spectrum_level_db(power: np.ndarray, offset_db: float) -> np.ndarray:
    """Spectrum levels of third-octave powers, at least `NO_NOISE_DB`.

    Parameters
    ----------
    power : ndarray
        Shape (..., 18), full scale 1.0 squared.
    offset_db : float
        From `listening_offset_db`.

    Returns
    -------
    ndarray
        dB re 20 uPa per Hz, float32.
    """
    kind = np.float32
    less_db = np.asarray(BANDWIDTH_DB, kind) - kind(offset_db)
    least = kind(10.0) ** ((less_db + kind(NO_NOISE_DB)) / kind(10.0))
    return np.asarray(kind(10.0) * np.log10(np.maximum(power, least, dtype=kind)) - less_db)


@dataclass(frozen=True, eq=False)
class WordLevels:
    """Spectrum levels at the ear of words and of the bed meanwhile. Which gain the words have comes after this.

    Parameters
    ----------
    speech_db : ndarray
        float32, shape (18, words). Spectrum level of each word, at no gain.
    noise_db : ndarray
        float32, shape (18, cells). Spectrum level of the bed in the cells of all words, one word after the other.
    firsts : ndarray
        int64, shape (words + 1,). Where each word begins in `noise_db`, then the number of its cells.
    """

    speech_db: np.ndarray
    noise_db: np.ndarray
    firsts: np.ndarray

    def taken(self, words: np.ndarray) -> WordLevels:
        """Only these words, given by their numbers."""
        cells, firsts = _runs(self.firsts[:-1][words], self.firsts[1:][words])
        return WordLevels(self.speech_db[:, words], self.noise_db[:, cells], firsts)


def word_levels(bands: PairBands, start_n: np.ndarray, end_n: np.ndarray, offset_db: float) -> WordLevels:
    """Spectrum levels of words and of the bed meanwhile.

    Parameters
    ----------
    bands : PairBands
        Band powers of the pair.
    start_n, end_n : ndarray
        First frames and frames after the last of the words, shape (words,).
    offset_db : float
        From `listening_offset_db`.

    Raises
    ------
    ValueError
        A word does not end after its start.
    """
    cells, firsts = word_cells(bands.vocal, start_n, end_n)
    voice = word_powers(bands.vocal, start_n, end_n)[:, BELOW_N:]
    noise = bands.bed.power[cells][:, BELOW_N:]
    speech_db, noise_db = (np.ascontiguousarray(spectrum_level_db(power, offset_db).T) for power in (voice, noise))
    return WordLevels(speech_db, noise_db, firsts)


def word_cells(stem: StemBands, start_n: np.ndarray, end_n: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Cells whose middles lie in each word, at least one, one word after the other.

    Parameters
    ----------
    stem : StemBands
        Any stem of the pair.
    start_n, end_n : ndarray
        Borders of the words in frames, shape (words,).

    Returns
    -------
    tuple of ndarray
        int64: the cells, and where each word begins among them, then their number.

    Raises
    ------
    ValueError
        A word does not end after its start.
    """
    return _runs(*_cell_range(stem, start_n, end_n))


def word_powers(vocal: StemBands, start_n: np.ndarray, end_n: np.ndarray) -> np.ndarray:
    """Band powers of words: their own, joined with what is usual for the voice; see `OWN_S`.

    Parameters as for `word_cells`.

    Returns
    -------
    ndarray
        float64, shape (words, COLUMNS_N).
    """
    first, last = _cell_range(vocal, start_n, end_n)
    length = (last - first)[:, None]
    own = (vocal.sums[last] - vocal.sums[first]) / length
    usual = vocal.sums[-1] / max(vocal.sums[-1].sum(), 1e-300)
    usual_cells = OWN_S * CELLS_PER_S
    power = (own * length + usual * own.sum(axis=1, keepdims=True) * usual_cells) / (length + usual_cells)
    return np.asarray(np.maximum(power, 0.0))


def _cell_range(stem: StemBands, start_n: np.ndarray, end_n: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    start, end = np.atleast_1d(start_n), np.atleast_1d(end_n)
    if not (end > start).all():
        raise ValueError("a word must end after its start")
    cells_n = len(stem.power)
    first = np.clip(np.searchsorted(stem.middles_n, start), 0, cells_n - 1)
    last = np.clip(np.searchsorted(stem.middles_n, end), first + 1, cells_n)
    return first, last


def _runs(first: np.ndarray, last: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Numbers from each `first` up to its `last` (not included) in one array, and where each run begins in it."""
    lengths = last - first
    firsts = np.concatenate([[0], np.cumsum(lengths)])
    return np.arange(firsts[-1]) + np.repeat(first - firsts[:-1], lengths), firsts


def audibility(levels: WordLevels, gain_db: np.ndarray | float = 0.0) -> np.ndarray:
    """Audibility of words: the index of each cell of the bed, averaged over the word.

    Parameters
    ----------
    levels : WordLevels
        Levels of the words and of the bed.
    gain_db : ndarray or float
        Gain of each word, shape (words,) or one for all: trim, lane and what a centre law takes.

    Returns
    -------
    ndarray
        float64, shape (words,), 0 to 1.

    Notes
    -----
    Never less under a quieter bed. It grows with the gain as long as the bed is what hides the word; a word that is far
    over the bed and loud hides its own higher bands, and the index falls again.
    """
    return _averaged(np.asarray(IMPORTANCE, np.float32) @ _cell_information(levels, gain_db), levels)


def heard_information(levels: WordLevels, gain_db: np.ndarray | float = 0.0) -> np.ndarray:
    """Part of each band's information that is heard, averaged over each word, float64, shape (words, 18)."""
    return _averaged(_cell_information(levels, gain_db), levels).T


def _cell_information(levels: WordLevels, gain_db: np.ndarray | float) -> np.ndarray:
    speech_db = levels.speech_db + np.asarray(gain_db, np.float32)
    return _information(np.repeat(speech_db, np.diff(levels.firsts), axis=1), levels.noise_db)


def _averaged(values: np.ndarray, levels: WordLevels) -> np.ndarray:
    """Mean over the cells of each word, along the last axis."""
    counts = np.diff(levels.firsts)
    if not len(counts):
        return np.zeros((*values.shape[:-1], 0))
    return np.asarray(np.add.reduceat(values, levels.firsts[:-1], axis=-1, dtype=np.float64) / counts)


FURTHEST_DB = 60.0
"""Gains either way within which `gain_to_hear` looks."""


def gain_to_hear(levels: WordLevels, wanted: float = LOST) -> np.ndarray:
    """Least gain with which words are heard well enough: with less than it a word is lost.

    The index grows with the gain up to there; that a word far over the bed hides its own higher bands comes later and
    takes no word under the threshold again.

    Parameters
    ----------
    levels : WordLevels
        Levels of the words and of the bed.
    wanted : float
        Audibility to reach.

    Returns
    -------
    ndarray
        float64, shape (words,), in dB, to about 0.01 dB: the whole gain, trim and what a centre law takes included; NaN
        where no gain within `FURTHEST_DB` does.
    """
    words_n = levels.speech_db.shape[1]
    needed_db = np.full(words_n, np.nan)
    if not words_n:
        return needed_db
    left, pending = np.arange(words_n), levels
    low_db, high_db = np.full(words_n, -FURTHEST_DB), np.full(words_n, FURTHEST_DB)
    bed_db = _averaged(levels.noise_db, levels)
    at_db = np.asarray(IMPORTANCE) @ (bed_db - levels.speech_db) + 30.0 * (wanted - 0.5)
    at_db = np.clip(at_db, 0.9 * low_db, 0.9 * high_db)
    slope = np.full(words_n, 1.0 / 30.0)
    last_db, last = at_db, np.full(words_n, np.nan)
    for _ in range(_STEPS_N):
        index = audibility(pending, at_db)
        enough = index >= wanted
        low_db, high_db = np.where(enough, low_db, at_db), np.where(enough, at_db, high_db)
        moved = np.abs(at_db - last_db) > 1e-3
        slope = np.where(moved, (index - last) / np.where(moved, at_db - last_db, 1.0), slope)
        near = np.abs(index - wanted) < _NEAR
        found = near | (high_db - low_db < 0.01)
        needed_db[left[found]] = np.where(near, at_db, high_db)[found]
        left, keep = left[~found], np.flatnonzero(~found)
        if not len(left):
            break
        pending = pending.taken(keep)
        low_db, high_db, slope, last_db, last = (each[keep] for each in (low_db, high_db, slope, at_db, index))
        # Along the line through the last two, or halve what is left where that leads nowhere.
        step_db = (wanted - last) / np.clip(slope, 1.0 / 300.0, 1.0 / 10.0)
        at_db = last_db + step_db
        at_db = np.where((at_db > low_db) & (at_db < high_db), at_db, (low_db + high_db) / 2.0)
    needed_db[needed_db > FURTHEST_DB - 0.1] = np.nan
    return needed_db


_STEPS_N = 40
_NEAR = 2e-4
"""Less than 0.01 dB off where all bands are at work."""
