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

Six figures of these go into one line, which was fitted on pairs of known balance (`tests/bench/bench_reference.py` does
it again). It is an estimate: what plays a melody in the middle while nobody sings reads as a voice, and a voice that
was doubled to the sides reads too low. The error bar was measured on songs that the fit had not seen.
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
FLICKER_WINDOWS_N = (2, 10)
"""Means over windows: 0.3 s for all levels; what is left of 0.1 s over 0.5 s is as fast as syllables and hits."""

FLOOR_S = 8.0
FLOOR_PART = 12.0
FLOOR_FACTOR = 1.3
"""The floor under a part is the level that it is under for 12 % of 8 s, times 1.3: there nobody sings."""

SUNG_PARTS = (15.0, 60.0)
"""Under the lower part of the moving share, in percent of the time, nobody sings; over the upper one somebody does."""

LOUD_SHARE = 0.01
"""Windows 20 dB under the loudest tenth are pauses and count for nothing."""

MONO_DB = -35.0
"""Sides this far under the middle: a mono mix, whose middle is everything."""

LEAST_S = 5.0
"""A shorter mix tells nothing."""

MEANS_DB = (-3.256, -0.786, 2.625, 2.951, 2.759, 4.532)
SCALES_DB = (2.188, 2.352, 0.856, 1.942, 2.023, 2.09)
COEFFICIENTS = (0.888, 0.932, 0.743, 0.826, -0.26, 0.418)
CONSTANT_LU = -0.015
"""The line: constant, plus each figure less its mean, over its scale, times its coefficient. Fitted on 288 mixes of
nine voices (six sung, three read by a synthesizer) over sixteen beds (nine of records, the demo song's, six made)."""

HALF_WIDTH_LU = 3.0
"""With voice and bed left out of the fit the errors had a mean of 0.0 and a root mean square of 1.6 LU; 93 % of them
were under this."""

VOICELESS_LU = -4.0
"""Of the sixteen beds alone, fourteen read lower than this."""

REACH_LU = 6.0
BEYOND_FACTOR = 1.5
"""The mixes stood within 6 LU either way; of what reads further off less is known, and the bar is wider."""

LOWEST_LU = -12.0
"""What reads lower, by twice the reach, has no middle, as a file of one side alone: that is no balance at all."""

_CHUNK_WINDOWS_N = 256
_SILENCE = 1e-12


@dataclass(frozen=True, slots=True)
class CentreFigures:
    """What the middle of a mix shows; all in dB.

    Parameters
    ----------
    moving_db, middle_db : float
        Moving part, and the whole middle, over their floors against all the rest, while they are there.
    flicker_db : float
        Standard deviation of the fast changes of the middle's level between 400 and 2500 Hz.
    rise_db : float
        How much louder the mix is while somebody seems to sing.
    side_spread_db : float
        Standard deviation of the sides' level between 400 and 2500 Hz.
    moving_crest_db : float
        How far the moving part there goes over its median for a tenth of the time.
    sides_db : float
        Power of the difference against that of the sum there.
    seconds : float
        How long the mix sounds.
    """

    moving_db: float
    middle_db: float
    flicker_db: float
    rise_db: float
    side_spread_db: float
    moving_crest_db: float
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
    if lu < LOWEST_LU:
        return CentreEstimate(None, 0.0, "There is hardly anything in its middle, so that nothing can be told.")
    notes = []
    if abs(lu) > REACH_LU:
        notes.append(f"It is beyond the {REACH_LU:g} LU either way that the estimate was measured over.")
    if lu < VOICELESS_LU:
        notes.append("A mix without any voice reads as low as this too.")
    half_lu = HALF_WIDTH_LU * (BEYOND_FACTOR if abs(lu) > REACH_LU else 1.0)
    return CentreEstimate(lu, half_lu, " ".join(notes))


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
    """Powers of each window: the moving part in bands, the middle in bands, then the sides at the vowels.

    Parameters
    ----------
    rows : ndarray
        float32, shape (2, windows, bins): powers of the channels' sum and of their difference.
    starts : ndarray
        First bin of each band.

    Returns
    -------
    ndarray
        float64, shape (windows, 2 bands + 1).
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
    moving, whole, sides = (
        np.add.reduceat(power, starts, axis=1, dtype=np.float64) for power in (moving_part, middle, side)
    )
    return np.column_stack([moving, whole, sides[:, VOWEL_BANDS].sum(axis=1)])


def _medians(values: np.ndarray, length_n: int, axis: int) -> np.ndarray:
    """Take running medians along an axis; three times as fast as those of scipy.ndimage, which they equal."""
    middle = length_n // 2
    padded = np.pad(values, [(middle, middle) if each == axis else (0, 0) for each in (0, 1)], mode="symmetric")
    windows = np.lib.stride_tricks.sliding_window_view(padded, length_n, axis=axis)
    return np.asarray(np.partition(windows, middle, axis=-1)[..., middle])


def _figures(total: np.ndarray, bands: np.ndarray, per_s: float) -> CentreFigures:
    from scipy.ndimage import percentile_filter, uniform_filter1d  # here: importing it takes longer than most commands

    bands_n = bands.shape[1] // 2
    quick_db = _db(bands[:, bands_n:-1][:, VOWEL_BANDS].sum(axis=1))
    total = uniform_filter1d(total, SMOOTH_WINDOWS_N)
    bands = uniform_filter1d(bands, SMOOTH_WINDOWS_N, axis=0)
    moving, middle, side = bands[:, :bands_n], bands[:, bands_n:-1], bands[:, -1]
    loud = total > LOUD_SHARE * np.percentile(total, 90)

    def over_floor(part: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Power over the floor, and its share in the mix in dB; the lowest band is left to bass and kick."""
        floor = percentile_filter(part, FLOOR_PART, size=(round(FLOOR_S * per_s), 1))
        over = np.maximum(part - FLOOR_FACTOR * floor, 0.0)
        return over.sum(axis=1), _db(over[:, 1:].sum(axis=1) / np.maximum(total, _SILENCE) + 1e-4)

    def against_rest_db(over: np.ndarray, share_db: np.ndarray) -> float:
        active = loud & (share_db >= np.percentile(share_db[loud], [10, 90]).mean())
        voice = over[active].sum()
        return float(_db(voice / max(total[active].sum() - voice, _SILENCE)))

    over, share_db = over_floor(moving)
    low_db, high_db = np.percentile(share_db[loud], SUNG_PARTS)
    sung, unsung = loud & (share_db >= high_db), loud & (share_db <= low_db)
    quick, slow = (uniform_filter1d(quick_db, windows_n) for windows_n in FLICKER_WINDOWS_N)
    moving_db = _db(moving[loud][:, VOWEL_BANDS].sum(axis=1))
    middle_power = middle[:, VOWEL_BANDS].sum()
    return CentreFigures(
        moving_db=against_rest_db(over, share_db),
        middle_db=against_rest_db(*over_floor(middle)),
        flicker_db=float((quick - slow)[loud].std()),
        rise_db=float(_db(total[sung].mean() / total[unsung].mean())),
        side_spread_db=float(_db(side[loud]).std()),
        moving_crest_db=float(np.percentile(moving_db, 90) - np.median(moving_db)),
        sides_db=float(_db(side.sum() / max(side.sum() + middle_power, _SILENCE))),
        seconds=float(loud.sum() / per_s),
    )


def _db(power: np.ndarray | float) -> np.ndarray:
    return np.asarray(10.0 * np.log10(np.maximum(power, _SILENCE)))
