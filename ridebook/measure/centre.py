"""How loud the voice stands in a finished stereo mix, by what lies in the middle and moves there.

A lead voice is the same in both channels, comes and goes with its phrases, and slides where instruments hold their
tones. So the spectrum of the mix is taken apart, in windows of about 90 ms:

* The **middle** is the power of the sum of the channels less that of their difference, where that leaves anything: what
  stands at a side, or is unlike in both channels as a room is, has about as much of the one as of the other.
* The **held** part of the middle is what stays over three windows and not only over a stretch of frequencies: hits of
  drums go (medians along time and along frequency, after Fitzgerald 2010, Harmonic/percussive separation using median
  filtering, DAFx-10; from memory).
* The **moving** part is what of that does not stay over a second: chords and a steady bass go, a melody and above all a
  voice stays.

Seven figures of these go into one line, which was fitted on pairs of known balance (`tests/bench/bench_reference.py`
does it again). It is an estimate: what plays a melody in the middle while nobody sings reads as a voice, and a voice
that was doubled to the sides reads too low. The error bar was measured on songs that the fit had not seen.
"""

from __future__ import annotations

from dataclasses import astuple, dataclass

import numpy as np

from ridebook.measure.kweight import k_sos

WINDOW_S = 0.093
HELD_WINDOWS_N = 3
STEADY_WINDOWS_N = 21
"""Windows of the medians along time: 140 ms and 1 s, as a window begins every 46 ms."""

SPREAD_BINS_N = 21
"""Bins of the median along frequency: about 230 Hz."""

BAND_EDGES_HZ = (150.0, 250.0, 400.0, 630.0, 1000.0, 1600.0, 2500.0, 4000.0, 6300.0)
"""Borders of the bands that the moving part is summed in: where a voice has nearly all of its loudness."""

VOWEL_BANDS = slice(2, 6)
"""Of these, 400 to 2500 Hz."""

SMOOTH_WINDOWS_N = 7
FLOOR_S = 8.0
FLOOR_PART = 12.0
FLOOR_FACTOR = 1.3
"""The floor under the moving part is the level that it is under for 12 % of 8 s, times 1.3: there nobody sings."""

LOUD_SHARE = 0.01
"""Windows 20 dB under the loudest tenth are pauses and count for nothing."""

MONO_DB = -35.0
"""Sides this far under the middle: a mono mix, whose middle is everything."""

LEAST_S = 5.0
"""A shorter mix tells nothing."""

MEANS_DB = (-2.438, -2.705, -1.483, 9.800, 3.476, 2.627, 2.188)
SCALES_DB = (2.211, 0.944, 0.751, 3.076, 1.167, 1.724, 0.685)
COEFFICIENTS = (0.924, 0.635, 0.175, 0.614, 0.295, -0.454, 0.866)
CONSTANT_LU = 0.054
HALF_WIDTH_LU = 2.9

_CHUNK_WINDOWS_N = 256
_SILENCE = 1e-12


@dataclass(frozen=True, slots=True)
class CentreFigures:
    """What the middle of a mix shows; all in dB.

    Parameters
    ----------
    moving_db : float
        Moving part over its floor against all the rest, while it is there.
    moving_top_db, held_top_db : float
        Share of the moving and of the held part in the mix's power, as high as it is for a tenth of the time.
    middle_range_db : float
        Range of the middle's level between 400 and 2500 Hz, without the lowest and the highest tenth.
    sum_spread_db, side_spread_db, mix_spread_db : float
        Standard deviation of the level there of the channels' sum and of their difference, and of that of the mix.
    sides_db : float
        Power of the difference against that of the sum there.
    seconds : float
        How long the mix sounds.
    """

    moving_db: float
    moving_top_db: float
    held_top_db: float
    middle_range_db: float
    sum_spread_db: float
    side_spread_db: float
    mix_spread_db: float
    sides_db: float
    seconds: float


@dataclass(frozen=True, slots=True)
class CentreEstimate:
    """Estimate of a balance.

    Parameters
    ----------
    balance_lu : float or None
        Balance while the voice sounds, in LU; None where nothing can be told.
    half_width_lu : float
        The truth lies this far to either side at most in 90 % of cases.
    note : str
        What limits it, as a sentence; empty where nothing beside the bar does.
    """

    balance_lu: float | None
    half_width_lu: float
    note: str = ""


def centre_balance(figures: CentreFigures | None) -> CentreEstimate:
    """Balance that the middle of a mix speaks for.

    Parameters
    ----------
    figures : CentreFigures or None
        What the middle shows; None where the mix is silent or too short.
    """
    if figures is None or figures.seconds < LEAST_S:
        return CentreEstimate(None, 0.0, f"Less than {LEAST_S:g} s sound; that is too little to tell.")
    if figures.sides_db < MONO_DB:
        return CentreEstimate(None, 0.0, "It is mono, or nearly: where all is in the middle, nothing can be told.")
    shown = np.array(astuple(figures)[: len(COEFFICIENTS)])
    lu = float(((shown - MEANS_DB) / SCALES_DB) @ np.array(COEFFICIENTS) + CONSTANT_LU)
    return CentreEstimate(lu, HALF_WIDTH_LU)


class CentreAccumulator:
    """Gathers the figures of a mix from its blocks.

    Parameters
    ----------
    rate_hz : int
        Sample rate.
    """

    def __init__(self, rate_hz: int) -> None:
        self._window_n = 1 << round(np.log2(WINDOW_S * rate_hz))
        self._step_n = self._window_n // 2
        self._per_s = rate_hz / self._step_n
        frequency_hz = np.fft.rfftfreq(self._window_n, 1.0 / rate_hz)
        self._weight = _k_power(frequency_hz, rate_hz).astype(np.float32)
        self._window = np.hanning(self._window_n + 1)[:-1].astype(np.float32)
        edges = np.searchsorted(frequency_hz, BAND_EDGES_HZ)
        self._first, self._last = int(edges[0]), int(edges[-1])
        # At low rates the upper bands are empty; each still takes one bin, so that the sums stay in order.
        self._starts = np.minimum(edges[:-1], len(frequency_hz) - 1) - self._first
        self._waiting = np.zeros((0, 2), np.float32)
        self._rows: list[np.ndarray] = []
        self._rows_done_n = 0
        self._totals: list[np.ndarray] = []
        self._bands: list[np.ndarray] = []

    def feed(self, block: np.ndarray) -> None:
        """Take the next block, shape (frames, 2), full scale 1.0."""
        samples = np.concatenate([self._waiting, block.astype(np.float32)])
        windows_n = max(0, (len(samples) - self._window_n) // self._step_n + 1)
        for at in range(0, windows_n, _CHUNK_WINDOWS_N):
            to = min(at + _CHUNK_WINDOWS_N, windows_n)
            stretch = samples[at * self._step_n : (to - 1) * self._step_n + self._window_n]
            self._take(stretch)
        self._waiting = samples[windows_n * self._step_n :]

    def _take(self, samples: np.ndarray) -> None:
        spectra = []
        for channel in (samples[:, 0] + samples[:, 1], samples[:, 0] - samples[:, 1]):
            frames = np.lib.stride_tricks.sliding_window_view(channel, self._window_n)[:: self._step_n]
            spectrum = np.fft.rfft(frames * self._window, axis=1)
            spectra.append((0.5 * np.abs(spectrum) ** 2).astype(np.float32) * self._weight)
        self._totals.append((spectra[0] + spectra[1]).sum(axis=1, dtype=np.float64))
        self._rows.append(np.stack([power[:, self._first : self._last] for power in spectra]))
        if sum(rows.shape[1] for rows in self._rows) >= _CHUNK_WINDOWS_N + 2 * STEADY_WINDOWS_N:
            self._part(last=False)

    def _part(self, *, last: bool) -> None:
        """Take apart what has come, but for the newest windows, whose neighbours are still to come."""
        if not self._rows:
            return
        rows = np.concatenate(self._rows, axis=1)
        context_n = STEADY_WINDOWS_N // 2
        stop_n = rows.shape[1] if last else rows.shape[1] - context_n
        self._bands.append(_band_powers(rows, self._starts)[self._rows_done_n : stop_n])
        keep_n = max(0, stop_n - context_n)
        self._rows = [rows[:, keep_n:]]
        self._rows_done_n = stop_n - keep_n

    def finish(self) -> CentreFigures | None:
        """Figures of all that was fed; None where it is silent or too short."""
        self._part(last=True)
        self._rows = []
        if not self._bands:
            return None
        total = np.concatenate(self._totals)
        bands = np.concatenate(self._bands)
        if len(total) / self._per_s < LEAST_S or total.max() <= _SILENCE:
            return None
        return _figures(total, bands, self._per_s)


def _k_power(frequency_hz: np.ndarray, rate_hz: int) -> np.ndarray:
    """Power response of the K-filter."""
    z = np.exp(-2j * np.pi * frequency_hz / rate_hz)
    power = np.ones(len(frequency_hz))
    for b0, b1, b2, a0, a1, a2 in k_sos(rate_hz):
        power *= np.abs((b0 + b1 * z + b2 * z**2) / (a0 + a1 * z + a2 * z**2)) ** 2
    return power


def _band_powers(rows: np.ndarray, starts: np.ndarray) -> np.ndarray:
    """Powers of each window: the moving part in bands, the held part, then middle, sum and difference at the vowels.

    Parameters
    ----------
    rows : ndarray
        float32, shape (2, windows, bins): powers of the channels' sum and of their difference.
    starts : ndarray
        First bin of each band.

    Returns
    -------
    ndarray
        float64, shape (windows, bands + 4).
    """
    summed, side = rows
    middle = np.maximum(summed - side, 0.0)
    size = np.sqrt(middle)
    held = _medians(size, HELD_WINDOWS_N, 0) ** 2
    steady = _medians(size, STEADY_WINDOWS_N, 0) ** 2
    spread = _medians(size, SPREAD_BINS_N, 1) ** 2
    tiny = np.float32(1e-20)
    held_part = middle * (held / (held + spread + tiny))
    moving_part = held_part * (1.0 - steady / (steady + 0.5 * held + tiny))

    def in_bands(power: np.ndarray) -> np.ndarray:
        return np.add.reduceat(power, starts, axis=1, dtype=np.float64)

    vowels = [in_bands(power)[:, VOWEL_BANDS].sum(axis=1) for power in (middle, summed, side)]
    return np.column_stack([in_bands(moving_part), held_part.sum(axis=1, dtype=np.float64), *vowels])


def _medians(values: np.ndarray, length_n: int, axis: int) -> np.ndarray:
    """Take running medians along an axis; three times as fast as those of scipy.ndimage, which they equal."""
    middle = length_n // 2
    padded = np.pad(values, [(middle, middle) if each == axis else (0, 0) for each in (0, 1)], mode="symmetric")
    windows = np.lib.stride_tricks.sliding_window_view(padded, length_n, axis=axis)
    return np.asarray(np.partition(windows, middle, axis=-1)[..., middle])


def _figures(total: np.ndarray, bands: np.ndarray, per_s: float) -> CentreFigures:
    from scipy.ndimage import percentile_filter, uniform_filter1d  # here: importing it takes longer than most commands

    total = uniform_filter1d(total, SMOOTH_WINDOWS_N)
    bands = uniform_filter1d(bands, SMOOTH_WINDOWS_N, axis=0)
    moving, held, (middle, summed, side) = bands[:, :-4], bands[:, -4], bands[:, -3:].T
    loud = total > LOUD_SHARE * np.percentile(total, 90)

    floor = percentile_filter(moving, FLOOR_PART, size=(round(FLOOR_S * per_s), 1))
    over = np.maximum(moving - FLOOR_FACTOR * floor, 0.0)
    share_db = _db(over[:, 1:].sum(axis=1) / np.maximum(total, _SILENCE) + 1e-4)
    active = loud & (share_db > np.percentile(share_db[loud], [10, 90]).mean())
    voice = over[active].sum()

    def top_db(part: np.ndarray) -> float:
        return float(np.percentile(_db(part[loud] / total[loud]), 90))

    middle_db = _db(middle[loud])
    low_db, high_db = np.percentile(middle_db, [10, 90])
    return CentreFigures(
        moving_db=float(_db(voice / max(total[active].sum() - voice, _SILENCE))),
        moving_top_db=top_db(moving.sum(axis=1)),
        held_top_db=top_db(held),
        middle_range_db=float(high_db - low_db),
        sum_spread_db=float(_db(summed[loud]).std()),
        side_spread_db=float(_db(side[loud]).std()),
        mix_spread_db=float(_db(total[loud]).std()),
        sides_db=float(_db(side.sum() / max(summed.sum(), _SILENCE))),
        seconds=float(loud.sum() / per_s),
    )


def _db(power: np.ndarray | float) -> np.ndarray:
    return np.asarray(10.0 * np.log10(np.maximum(power, _SILENCE)))
