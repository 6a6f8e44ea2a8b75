"""The suggestion: a trim and rides for a whole vocal, from measures, segments and settings alone.

The way from levels to the lane:

1. The trim brings the song's balance to the aim, with a lean to the loud side.
2. Each phrase's words are split into runs of words that stand at one level; what is spoken of below is a run. A split
   must be worth it: only words that clearly stick out or sink ride by themselves, so that the singer's own dynamics
   inside a phrase stay.
3. The wanted level of a run lies between two anchors: the vocal's own level held even over its section, and `follow`
   times the bed's change against its level over the section.
4. Wanted gain = section + phrase + word offset, clamped once to the limits; a gain inside the dead band is none.
5. Plateaus of wanted gain with free gaps between them go through the sparse fit.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from ridebook.measure.loudness import loudness_lufs
from ridebook.measure.measures import ABSENT_LUFS, Measures, StemMeasures
from ridebook.measure.spans import balance_lu, mean_balance_lu, span_loudness_lufs
from ridebook.ride.edits import mean_ride_db
from ridebook.ride.fit import fewest_points
from ridebook.ride.lane import Breakpoint, Lane
from ridebook.ride.settings import RideSettings
from ridebook.ride.suggestion import PhraseSuggestion, Suggestion
from ridebook.segment.spans import Segments, Span

# Ramps, in seconds (common practice, no source).
PHRASE_RAMP_S = (0.08, 0.25)
WORD_RAMP_S = (0.02, 0.06)
LEAD_S = 0.015
"""A ramp arrives this long before the onset."""

STICK_OUT_DB = 2.0
WORD_COST = 1.75
STEP_COST = 9.0
STEP_DB = 3.0
STEP_CELLS = (20, 2)
NEAR_S = 0.4
"""How far words must stand from the rest of their phrase to ride by themselves."""
_SETTLED_S = 0.5
"""A run this long is weighed half as much as one without end."""
FIT_DB = 0.2
"""How far the fit may leave a plateau."""
_HELD_DB_PER_S = 2.0
"""Slowest limit: on a held note the lane moves no faster (common practice, no source)."""
_QUIET_LU = 25.0
"""A word this far under its song is not sung and tells nothing about the level."""


@dataclass(slots=True)
class _Run:
    """Words in a row at one level."""

    phrase: int
    start_n: int
    end_n: int
    words: list[Span]
    own_lufs: float
    gain_db: float = 0.0


def suggest(
    measures: Measures,
    segments: Segments,
    settings: RideSettings,
    *,
    section_aims: Mapping[str, float] | None = None,
    quiet_ids: frozenset[str] = frozenset(),
    trim_db: float | None = None,
) -> Suggestion:
    """Trim and rides for a whole vocal.

    Parameters
    ----------
    measures : Measures
        Measures of the pair.
    segments : Segments
        Its spans; without phrases nothing rides.
    settings : RideSettings
        Aim, share, follow, limits.
    section_aims : mapping of str to float, optional
        Aim in LU of sections that have their own, by id.
    quiet_ids : frozenset of str
        Ids of phrases and words that are meant to be quiet: they are not lifted.
    trim_db : float, optional
        A trim that is settled already; found from the aim without it.

    Returns
    -------
    Suggestion
        The same for the same input.
    """
    section_aims = section_aims or {}
    phrases = segments.phrases
    if not phrases:
        return Suggestion(trim_db or 0.0, Lane(), (), None)
    starts, ends = _borders(phrases)
    balance = mean_balance_lu(measures, starts, ends, settings.centre_law_db)
    song_balance = balance if np.isfinite(balance) else None
    if trim_db is None:
        trim_db = 0.0 if song_balance is None else settings.aim_lu + settings.lean_lu - song_balance
    runs = _runs(measures, segments, settings)
    _want(measures, segments, settings, section_aims, runs, quiet_ids)
    lane = _fitted(measures.rate_hz, segments, runs)
    return Suggestion(
        trim_db, lane, tuple(_phrase_suggestions(measures, segments, settings, runs, lane, trim_db)), song_balance
    )


def _borders(spans: tuple[Span, ...]) -> tuple[np.ndarray, np.ndarray]:
    return np.array([span.start_n for span in spans]), np.array([span.end_n for span in spans])


def _runs(measures: Measures, segments: Segments, settings: RideSettings) -> list[_Run]:
    """Give the runs of all phrases in order of time; a phrase without words is one run."""
    stem = measures.vocal
    steps = _steps(stem) if settings.ride_words else np.zeros(0, dtype=np.int64)
    loudest = float(loudness_lufs(np.quantile(stem.cell_power, 0.99)))
    runs: list[_Run] = []
    for p, phrase in enumerate(segments.phrases):
        words = segments.words_of(phrase)
        borders = [phrase.start_n, *(word.start_n for word in words[1:]), phrase.end_n]
        inner = steps[np.searchsorted(steps, phrase.start_n) : np.searchsorted(steps, phrase.end_n)]
        apart_n = round(NEAR_S * stem.rate_hz)
        far = [n for n in inner.tolist() if min(abs(n - border) for border in borders) > apart_n]
        costs = dict.fromkeys(borders, WORD_COST) | dict.fromkeys(far, STEP_COST)
        edges = np.array(sorted(costs))
        lufs = span_loudness_lufs(stem, edges[:-1], edges[1:])
        lengths_s = np.diff(edges) / stem.rate_hz
        weights = lengths_s / (lengths_s + _SETTLED_S)
        loud = lufs > loudest - _QUIET_LU
        weights = np.where(loud, weights, 1e-3 * weights)
        levels = np.maximum(lufs, loudest - _QUIET_LU)
        cost = np.array([costs[n] for n in edges[1:-1].tolist()])
        for first, last in _merged(_split(levels, weights, cost), levels, weights):
            start_n, end_n = int(edges[first]), int(edges[last])
            own = float(np.average(levels[first:last], weights=weights[first:last]))
            inside_it = [word for word in words if start_n <= word.middle_n < end_n]
            runs.append(_Run(p, start_n, end_n, inside_it, own))
    return runs


def _steps(stem: StemMeasures) -> np.ndarray:
    """Frames at which the vocal's level steps up or down and stays there for a while."""
    floor_power = np.quantile(stem.cell_power, 0.99) * 10.0 ** (-_QUIET_LU / 10.0)
    level = np.asarray(loudness_lufs(np.maximum(stem.cell_power, floor_power)))
    sums = np.concatenate([[0.0], np.cumsum(level)])
    reach, skip = STEP_CELLS
    k = np.arange(reach + skip, len(level) - reach - skip)
    if not len(k):
        return np.zeros(0, dtype=np.int64)
    step = np.zeros(len(level))
    after = sums[k + skip + reach] - sums[k + skip]
    step[k] = np.abs(after - (sums[k - skip] - sums[k - skip - reach])) / reach
    tops = (step[1:-1] >= STEP_DB) & (step[1:-1] >= step[:-2]) & (step[1:-1] > step[2:])
    found: list[int] = []
    for cell in sorted((np.flatnonzero(tops) + 1).tolist(), key=lambda cell: -step[cell]):
        if all(abs(cell - other) >= reach for other in found):
            found.append(cell)
    return stem.grid_n[np.sort(np.array(found, dtype=np.int64))]


def _split(levels: np.ndarray, weights: np.ndarray, cost: np.ndarray) -> list[tuple[int, int]]:
    """Split of a row of levels into runs, least in squared error plus the cost of the borders between runs.

    Exact, by dynamic programming over the end of the last run.
    """
    n = len(levels)
    w = np.concatenate([[0.0], np.cumsum(weights)])
    wx = np.concatenate([[0.0], np.cumsum(weights * levels)])
    wxx = np.concatenate([[0.0], np.cumsum(weights * levels**2)])
    border = np.concatenate([[0.0], cost, [0.0]])
    best = np.zeros(n + 1)
    cut = np.zeros(n + 1, dtype=np.int64)
    for k in range(1, n + 1):
        mass, moment = w[k] - w[:k], wx[k] - wx[:k]
        total = best[:k] + border[:k] + (wxx[k] - wxx[:k]) - moment**2 / mass
        cut[k] = int(np.argmin(total))
        best[k] = total[cut[k]]
    runs = []
    k = n
    while k > 0:
        runs.append((int(cut[k]), k))
        k = int(cut[k])
    return runs[::-1]


def _merged(runs: list[tuple[int, int]], levels: np.ndarray, weights: np.ndarray) -> list[tuple[int, int]]:
    """Join neighbours that stand less than `STICK_OUT_DB` apart, the nearest first."""
    while len(runs) > 1:
        means = np.array([np.average(levels[a:b], weights=weights[a:b]) for a, b in runs])
        apart = np.abs(np.diff(means))
        k = int(np.argmin(apart))
        if apart[k] >= STICK_OUT_DB:
            break
        runs = [*runs[:k], (runs[k][0], runs[k + 1][1]), *runs[k + 2 :]]
    return runs


def _weighted_middle(values: np.ndarray, weights: np.ndarray) -> float:
    """Mean of the middle half of weighted values: steady against a few that are far off."""
    order = np.argsort(values, kind="stable")
    values, weights = values[order], weights[order]
    upto = np.cumsum(weights)
    total = upto[-1]
    inside = np.clip(np.minimum(upto, 0.75 * total) - np.maximum(upto - weights, 0.25 * total), 0.0, None)
    return float((values * inside).sum() / inside.sum())


def _want(
    measures: Measures,
    segments: Segments,
    settings: RideSettings,
    section_aims: Mapping[str, float],
    runs: list[_Run],
    quiet_ids: frozenset[str],
) -> None:
    """Set the wanted gain of each run."""
    phrases = segments.phrases
    starts, ends = _borders(phrases)
    bed = span_loudness_lufs(measures.bed, starts, ends)
    present = bed >= ABSENT_LUFS
    own = np.array([run.own_lufs for run in runs])
    phrase_of = np.array([run.phrase for run in runs])
    lengths = np.array([run.end_n - run.start_n for run in runs], dtype=np.float64)
    bed_of = np.where(present, bed, 0.0)[phrase_of]
    bed_change = np.zeros(len(runs))
    if present.any():
        heard = present[phrase_of]
        bed_change = np.where(heard, bed_of - _weighted_middle(bed_of[heard], lengths[heard]), 0.0)
    wanted = _weighted_middle(own, lengths) + settings.follow * bed_change
    limit_db = settings.section_limit_db + settings.phrase_limit_db
    for i, run in enumerate(runs):
        gain_db = min(max(wanted[i] - own[i], -limit_db), limit_db)
        if abs(gain_db) < settings.phrase_dead_db:
            gain_db = 0.0
        gain_db = settings.share * gain_db
        run.gain_db = min(max(gain_db, settings.lowest_db), settings.highest_db)


def _fitted(rate_hz: int, segments: Segments, runs: list[_Run]) -> Lane:
    """Lane through the wanted gains."""
    frames: list[int] = []
    gains: list[float] = []
    tolerance: list[float] = []

    def gate(frame_n: int, gain_db: float, within_db: float) -> None:
        frames.append(max(frame_n, frames[-1] + 1 if frames else 0))
        gains.append(gain_db)
        tolerance.append(within_db)

    plateau_n = runs[0].start_n - round(LEAD_S * rate_hz)
    for before, after in zip([None, *runs], [*runs, None]):
        if before is None:
            continue
        if after is None:
            ramp = (before.end_n, before.end_n)
        else:
            ramp = _ramp(rate_hz, segments, before, after)
        held_s = max(ramp[0] - plateau_n, 1) / rate_hz
        within_db = min(FIT_DB, 0.5 * _HELD_DB_PER_S * held_s)
        gate(plateau_n, before.gain_db, within_db)
        gate(ramp[0], before.gain_db, within_db)
        plateau_n = ramp[1]
    at_n = np.array(frames, dtype=np.int64)
    wanted_db, within = np.array(gains), np.array(tolerance)
    return fewest_points(at_n, wanted_db - within, wanted_db + within, wanted_db)


def _ramp(rate_hz: int, segments: Segments, before: _Run, after: _Run) -> tuple[int, int]:
    """First and last frame of the move between two runs: in the gap, where the gain is the lower one of both."""
    least_s, most_s = PHRASE_RAMP_S if before.phrase != after.phrase else WORD_RAMP_S
    change_db = abs(after.gain_db - before.gain_db)
    ramp_n = round(min(max(change_db / 4.0 * most_s, least_s), most_s) * rate_hz)
    arrive_n = after.start_n - round(LEAD_S * rate_hz)
    first_n, last_n = before.end_n, arrive_n
    if last_n - first_n < ramp_n:
        ramp_n = max(last_n - first_n, round(least_s * rate_hz))
        return arrive_n - ramp_n, arrive_n
    if after.gain_db > before.gain_db:
        return arrive_n - ramp_n, arrive_n
    return first_n, first_n + ramp_n


def _phrase_suggestions(
    measures: Measures,
    segments: Segments,
    settings: RideSettings,
    runs: list[_Run],
    lane: Lane,
    trim_db: float,
) -> list[PhraseSuggestion]:
    suggestions = []
    starts, ends = _borders(segments.phrases)
    before = balance_lu(measures, starts, ends, settings.centre_law_db) + trim_db
    for p, phrase in enumerate(segments.phrases):
        start_n, end_n = segments.cell_of(phrase, measures.frames_n)
        points = [point for point in lane.points if start_n < point.frame_n < end_n]
        first_db, last_db = lane.gain_db_at([start_n, end_n]).tolist()
        if points or first_db or last_db:
            points = [Breakpoint(start_n, first_db), *points, Breakpoint(end_n, last_db)]
        ride_db = mean_ride_db(lane, measures.vocal, phrase.start_n, phrase.end_n)
        known = np.isfinite(before[p])
        suggestions.append(
            PhraseSuggestion(
                phrase.id,
                start_n,
                end_n,
                tuple(points),
                ride_db,
                float(before[p]) if known else None,
                float(before[p]) + ride_db if known else None,
                "",
            )
        )
    return suggestions
