"""The vocal as the rides make it: its powers with trim and lane on them."""

from __future__ import annotations

import numpy as np

from ridebook.measure.measures import StemMeasures
from ridebook.ride.lane import Lane


def ridden(vocal: StemMeasures, lane: Lane, trim_db: float) -> StemMeasures:
    """Powers of the vocal with trim and lane on it.

    A cell takes the gain of its middle; a lane moves so little within 10 ms that the mean over the cell
    is the same to 0.01 dB at 100 dB/s.

    Parameters
    ----------
    vocal : StemMeasures
        The vocal as the file has it.
    lane : Lane
        The rides.
    trim_db : float
        The static gain, in dB.
    """
    if not lane.points:
        return _like(vocal, vocal.cell_power * 10.0 ** (trim_db / 10.0))
    return _like(vocal, vocal.cell_power * _factor(vocal, lane, trim_db, 0, len(vocal.cell_power)))


def ridden_again(
    vocal: StemMeasures, before: StemMeasures, lane_before: Lane, lane: Lane, trim_db: float
) -> StemMeasures:
    """`ridden` of `lane`, made from that of another lane with the same trim, quickly where little differs.

    Parameters
    ----------
    vocal : StemMeasures
        The vocal as the file has it.
    before : StemMeasures
        ``ridden(vocal, lane_before, trim_db)``.
    lane_before, lane : Lane
        The rides then and now.
    trim_db : float
        The static gain, in dB, the same for both.
    """
    first_n, last_n = changed_span(lane_before, lane, vocal.frames_n)
    if first_n >= last_n:
        return before
    first = max(0, int(np.searchsorted(vocal.grid_n, first_n, side="right")) - 1)
    last = min(len(vocal.cell_power), int(np.searchsorted(vocal.grid_n, last_n)) + 1)
    power = before.cell_power.copy()
    power[first:last] = vocal.cell_power[first:last] * _factor(vocal, lane, trim_db, first, last)
    return _like(vocal, power)


def mean_rides_db(lane: Lane, vocal: StemMeasures, starts_n: np.ndarray, ends_n: np.ndarray) -> np.ndarray:
    """Mean of the lane over many spans at once, weighted by the vocal's power; as `ride.edits.mean_ride_db` of each.

    Energy is interpolated inside a cell and a cell takes the lane's gain in its middle, so that a drag can be followed
    through a song of any length.

    Parameters
    ----------
    lane : Lane
        The lane.
    vocal : StemMeasures
        The vocal's powers.
    starts_n, ends_n : ndarray
        First frames and frames after the last, shape (spans,).

    Returns
    -------
    ndarray
        Means in dB, float64, shape (spans,); the gain in the middle where the vocal is silent.
    """
    if not lane.points:
        return np.zeros(len(starts_n))
    grid_n = vocal.grid_n
    gains_db = lane.gain_db_at((grid_n[:-1] + grid_n[1:]) / 2.0)
    weighted = np.concatenate([[0.0], np.cumsum(gains_db * np.diff(vocal.energy))])
    energy = np.interp(ends_n, grid_n, vocal.energy) - np.interp(starts_n, grid_n, vocal.energy)
    ride = np.interp(ends_n, grid_n, weighted) - np.interp(starts_n, grid_n, weighted)
    # Less than what rounding leaves of the sum up to here is silence.
    sounds = energy > 1e-12 * max(float(vocal.energy[-1]), 1e-300)
    return np.where(sounds, ride / np.where(sounds, energy, 1.0), lane.gain_db_at((starts_n + ends_n) / 2.0))


def changed_span(before: Lane, after: Lane, frames_n: int) -> tuple[int, int]:
    """Stretch outside of which two lanes have the same gain, as first frame and frame after the last.

    Empty (both the same) where the lanes do not differ.
    """
    if before.points == after.points:
        return 0, 0
    if not before.points or not after.points:
        return 0, frames_n
    least = min(len(before.points), len(after.points))
    head = _alike(before, after, least, 1)
    tail = _alike(before, after, least - head, -1)
    first_n = 0 if head == 0 else int(before.frames[head - 1])
    last_n = frames_n if tail == 0 else int(before.frames[len(before.points) - tail])
    return max(0, first_n), min(frames_n, last_n)


def peak_gain_db(lane: Lane, trim_db: float, edges_n: np.ndarray) -> np.ndarray:
    """Highest gain within each bin of a picture.

    Parameters
    ----------
    lane : Lane
        The rides.
    trim_db : float
        The static gain, in dB.
    edges_n : ndarray
        Borders of the bins in frames, rising, shape (bins + 1,).

    Returns
    -------
    ndarray
        Trim plus lane in dB, float64, shape (bins,).
    """
    at_edges = lane.gain_db_at(edges_n)
    highest = np.maximum(at_edges[:-1], at_edges[1:])
    inside = (lane.frames > edges_n[0]) & (lane.frames < edges_n[-1])
    bins = np.searchsorted(edges_n, lane.frames[inside], side="right") - 1
    np.maximum.at(highest, bins, lane.gains_db[inside])
    peaks: np.ndarray = highest + trim_db
    return peaks


def _alike(before: Lane, after: Lane, least: int, step: int) -> int:
    """How many breakpoints, up to `least`, are the same from the start (`step` 1) or from the end (-1)."""
    differ = (before.frames[::step][:least] != after.frames[::step][:least]) | (
        before.gains_db[::step][:least] != after.gains_db[::step][:least]
    )
    return int(np.argmax(differ)) if differ.any() else least


def _factor(vocal: StemMeasures, lane: Lane, trim_db: float, first: int, last: int) -> np.ndarray:
    grid_n = vocal.grid_n[first : last + 1]
    gain_db = lane.gain_db_at((grid_n[:-1] + grid_n[1:]) / 2.0) + trim_db
    factor: np.ndarray = 10.0 ** (gain_db / 10.0)
    return factor


def _like(vocal: StemMeasures, cell_power: np.ndarray) -> StemMeasures:
    made = StemMeasures(vocal.rate_hz, vocal.frames_n, cell_power)
    # The grid is the vocal's own: hand it on rather than have it worked out again at each step of a drag.
    made.__dict__["grid_n"] = vocal.grid_n
    return made
