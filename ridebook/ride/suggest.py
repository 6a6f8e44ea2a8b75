"""The suggestion: a trim and rides for a whole vocal, from measures, segments and settings alone.

1. The trim brings the song's balance to the aim, with a lean to the loud side.
2. Phrases are split into runs of words that stand at one level (runs.py): only words that sink or stick out ride by
   themselves, so that the singer's own dynamics inside a phrase stay.
3. Two anchors: a run should hold the vocal's own level over its section, and follow a part of the bed's change against
   its level over the section. A section should come to its aim, and repeats over one bed ride alike (section_rides.py).
   A vocal whose phrases keep one balance to the bed already follows it, and moves only as far as both anchors agree.
4. Wanted gain = section + phrase + word offset, held once within the limits. The dead band decides whether to move at
   all; a move goes all the way, times the share. A run that would still be lost is lifted until it is not. Short runs
   are held by the limit of words against the middle of their phrase.
5. The plateaus of wanted gain, with free gaps between them, go through the sparse fit (fit.py). Moves up lie at the end
   of a gap and moves down at its start, so that a breath or pause has the lower gain of both sides. Inside a word a
   move is slow, unless it takes a jump of the voice's own level out.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Mapping, Set
from dataclasses import dataclass
from functools import lru_cache
from itertools import pairwise

import numpy as np

from ridebook.measure.measures import ABSENT_LUFS, Measures
from ridebook.measure.spans import balance_lu, law_db, mean_balance_lu, span_loudness_lufs
from ridebook.ride.fit import fewest_points
from ridebook.ride.hearing import Hearing
from ridebook.ride.lane import Breakpoint, Lane
from ridebook.ride.lost_words import lost_words_raised
from ridebook.ride.middles import borders, mended_balances_lu, middle_mean, section_numbers, weighted_quantile
from ridebook.ride.reasons import phrase_reason, word_reasons
from ridebook.ride.ridden import mean_rides_db
from ridebook.ride.runs import Run, find_runs
from ridebook.ride.section_rides import like_rides_db
from ridebook.ride.settings import RideSettings
from ridebook.ride.suggestion import PhraseSuggestion, Suggestion
from ridebook.ride.trim import trim_for
from ridebook.ride.wanted import Wanted
from ridebook.segment.plosives import POP
from ridebook.segment.spans import Segments, Span, holder

SECTION_RAMP_S = (0.2, 0.5)
PHRASE_RAMP_S = (0.08, 0.25)
WORD_RAMP_S = (0.02, 0.06)
"""Shortest and longest ramp (common practice, no source)."""
RAMP_FULL_DB = 4.0
"""A move this large takes the longest ramp that the gap has room for."""
FASTEST_DB_PER_S = 220.0
"""Where there is no gap a ramp is as short as this allows: 20 ms for 4.4 dB, 45 ms for 10 dB."""
LEAD_S = 0.02
CLOSE_LEAD_S = 0.01
"""A ramp arrives this long before the onset, and where it takes from the word before: 10 to 30 ms (common practice, no
source)."""
BEGUN_S = 0.15
"""A run may begin this much after its first word: in the sibilant that the word begins with."""
QUICK_DB = 2.0
QUICK_S = 0.1
INSIDE_WORD_S = 0.06
SLOWED = 1.25
"""Further than this inside a word no move is quicker than 2 dB in 0.1 s; one that would be takes a little longer."""
FIT_DB = 0.25
"""How far the fit may leave a plateau."""
HELD_DB_PER_S = 2.0
"""On a held note the lane moves no faster (common practice, no source)."""

WORD_DEAD_BANDS = 1.5
"""Words must stand this many word dead bands from the rest of their phrase to ride by themselves."""
MOST = 0.8
FOLLOWS_LU = (0.2, 0.32)
FOLLOWS_PART = (0.5, 0.75)
"""A vocal follows its bed wholly where 80 % of the singing lies this close to the middle balance, and not at all from
the second value on: in LU, and as a part of the same for the levels against what is wanted by `follow`."""
ALONE = 0.65
ALONE_LU = (0.5, 0.65)
"""The same for phrases by themselves: two that run into each other may be even by chance as one."""
EVEN_LU = (0.4, 0.8)
"""A phrase of such a vocal is even, and not at all, where it lies this close to the middle balance."""
EVEN_WORD_DB = 5.5
"""What a word must be off in an even phrase of such a vocal: somebody has been over it already."""
JOINED_GAP_S = 0.5
"""Phrases less than this apart run into each other."""
WORD_RUN_S = 1.0
"""A run up to this long is a word's ride and held by its limit against the phrase."""
SIGH_S = 0.6
SIGH_LU = 10.0
"""A phrase without a lyric that is shorter and this far under the level of the voice is a sigh and no line."""
BED_S = 3.0
"""The bed is followed as it is over at least this long: a drum hit or a gap between two is no swell (the window of
short-term loudness, EBU Tech 3341)."""
VOICE_LUFS = -70.0
"""What is quieter is no voice, as in BS.1770's absolute gate."""

SIBILANT_FREE_DB = 1.5
SIBILANT_PART = 0.5
SIBILANT_SHORTEST_S = 0.04
"""A sibilant takes half of what a lift beyond 1.5 dB would give it (common practice, no source), and so does a plosive
that thumps. The burst of another is a part of the word that its run is lifted for."""
SIBILANT_MOST_DB = 1.9
"""No hole is deeper: it would be a quick move inside a word."""
SIBILANT_LEAST_DB = 1.0
"""A hole of less than this is not worth its four breakpoints."""
SIBILANT_RAMP_S = 0.015


def suggest(
    measures: Measures,
    segments: Segments,
    settings: RideSettings,
    *,
    section_aims: Mapping[str, float] | None = None,
    quiet_ids: Set[str] = frozenset(),
    trim_db: float | None = None,
    hearing: Hearing | None = None,
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
    quiet_ids : set of str
        Ids of phrases and words that are meant to be quiet: they are not lifted, and are no measure of the level.
    trim_db : float, optional
        A trim that is settled already; found from the aim without it.
    hearing : Hearing, optional
        What the words take to be heard, so that those which would stay lost are raised.

    Returns
    -------
    Suggestion
        The same for the same input.
    """
    phrases = segments.phrases
    if not phrases:
        return Suggestion(trim_db or 0.0, Lane(), (), None)
    starts, ends = borders(phrases)
    balance = mean_balance_lu(measures, starts, ends, settings.centre_law_db)
    song_balance = balance if np.isfinite(balance) else None
    if trim_db is None:
        trim_db = trim_for(measures, segments, settings)
    least_db = WORD_DEAD_BANDS * settings.word_dead_db if settings.ride_words else np.inf
    runs = _kept_runs(measures.vocal, segments, least_db, frozenset(quiet_ids))
    wanted = _want(measures, segments, settings, section_aims or {}, quiet_ids, runs, trim_db)
    wanted = lost_words_raised(wanted, hearing, measures, segments, settings, trim_db, quiet_ids)
    lane = _fitted(measures, segments, wanted)
    told = _phrase_suggestions(measures, segments, settings, wanted, lane, trim_db)
    return Suggestion(trim_db, lane, told, song_balance)


_kept_runs = lru_cache(maxsize=4)(find_runs)
"""Another aim, share or limit leaves the runs as they are: half of the work of suggesting again is saved."""


@dataclass(frozen=True, slots=True)
class _Followed:
    """How far the vocal follows its bed already.

    Parameters
    ----------
    song : float
        0 to 1; wholly where most phrases have one balance, and their balances spread far less than their levels
        against what `follow` asks for.
    phrases : ndarray
        float64, shape (phrases,), 0 to 1: how even each phrase is by that; 0 everywhere where `song` is.
    """

    song: float
    phrases: np.ndarray


def _followed(measures: Measures, phrases: tuple[Span, ...], follow: float) -> _Followed:
    """Find how far the vocal follows its bed already.

    A phrase counts as near the middle if it is so alone or with a neighbour that it runs into: where a line is cut in
    two is a matter of taste, and it should not matter here.
    """
    starts, ends = borders(phrases)
    nothing = _Followed(0.0, np.zeros(len(phrases)))
    vocal = span_loudness_lufs(measures.vocal, starts, ends)
    bed = span_loudness_lufs(measures.bed, starts, ends)
    heard = (bed >= ABSENT_LUFS) & (vocal > VOICE_LUFS)
    if heard.sum() < 3:
        return nothing
    lengths = np.where(heard, ends - starts, 0).astype(np.float64)
    runs_on = (starts[1:] - ends[:-1] < JOINED_GAP_S * measures.rate_hz) & heard[1:] & heard[:-1]
    vocal_two = span_loudness_lufs(measures.vocal, starts[:-1], ends[1:])
    bed_two = span_loudness_lufs(measures.bed, starts[:-1], ends[1:])

    def apart_lu(part: float) -> tuple[np.ndarray, np.ndarray]:
        alone = np.where(heard, vocal, 0.0) - part * np.where(heard, bed, 0.0)
        middle = weighted_quantile(alone, lengths, 0.5)
        both = np.where(runs_on, np.abs(vocal_two - part * bed_two - middle), np.inf)
        alone = np.abs(alone - middle)
        apart = alone.copy()
        apart[:-1] = np.minimum(apart[:-1], both)
        apart[1:] = np.minimum(apart[1:], both)
        return alone, apart

    alone, apart = apart_lu(1.0)
    balance_lu = weighted_quantile(apart, lengths, MOST)
    level_lu = weighted_quantile(apart_lu(follow)[1], lengths, MOST)
    close = (FOLLOWS_LU[1] - balance_lu) / (FOLLOWS_LU[1] - FOLLOWS_LU[0])
    closer = (FOLLOWS_PART[1] - balance_lu / max(level_lu, 1e-6)) / (FOLLOWS_PART[1] - FOLLOWS_PART[0])
    by_itself = (ALONE_LU[1] - weighted_quantile(alone, lengths, ALONE)) / (ALONE_LU[1] - ALONE_LU[0])
    song = float(np.clip(min(close, closer, by_itself), 0.0, 1.0))
    even = np.clip((EVEN_LU[1] - apart) / (EVEN_LU[1] - EVEN_LU[0]), 0.0, 1.0)
    return _Followed(song, song * np.where(heard, even, 0.0))


def _want(
    measures: Measures,
    segments: Segments,
    settings: RideSettings,
    section_aims: Mapping[str, float],
    quiet_ids: Set[str],
    runs: tuple[Run, ...],
    trim_db: float,
) -> list[Wanted]:
    """Find what is wanted of each run."""
    phrases, sections = segments.phrases, segments.sections
    section_of = section_numbers(segments).tolist()
    wanted = [
        Wanted(run, section_of[run.phrase], quiet=phrases[run.phrase].id in quiet_ids or _all_quiet(run, quiet_ids))
        for run in runs
    ]
    starts, ends = borders(runs)
    own = np.array([run.own_lufs for run in runs])
    for one in _no_lines(measures.rate_hz, phrases, wanted, own, ends - starts):
        one.quiet = one.no_line = True
    bed = span_loudness_lufs(measures.bed, *_bed_spans(measures, phrases, runs))
    heard = bed >= ABSENT_LUFS
    bed = np.where(heard, bed, 0.0)
    bed_here = span_loudness_lufs(measures.bed, starts, ends)
    numbers = np.array([one.section for one in wanted])
    quiet = np.array([one.quiet for one in wanted])
    weights = np.where(quiet, 1e-3, 1.0) * (ends - starts)

    followed = _followed(measures, phrases, settings.follow)
    song = _anchors(own, bed, heard, weights, settings.follow)
    names = np.unique(section_of)
    chosen = np.vstack([np.ones(len(phrases), bool), names[:, None] == np.array(section_of)])
    song_lu, *section_lus = mended_balances_lu(measures, segments, chosen, 0.0).tolist()
    missing_db = np.zeros(len(runs))
    section_dbs = np.zeros(len(runs))
    anchors, alone_dbs = [], []
    for number, section_lu in zip(names.tolist(), section_lus):
        members = numbers == number
        here = _anchors(own[members], bed[members], heard[members], weights[members], settings.follow)
        anchors.append(here)
        alone_db = 0.0
        if number >= 0 and settings.ride_sections and not members.all():
            alone_db = song_lu - section_lu
            if not np.isfinite(alone_db):
                alone_db = song.own_lufs - here.own_lufs
        alone_dbs.append(alone_db)
    of_sections = np.flatnonzero(names >= 0).tolist()
    likes_db, shared = like_rides_db(
        [sections[names[k]] for k in of_sections],
        [alone_dbs[k] for k in of_sections],
        [anchors[k].bed_lufs for k in of_sections],
    )
    like_of = dict(zip(of_sections, zip(likes_db, shared)))
    for k, (number, here) in enumerate(zip(names.tolist(), anchors)):
        members = numbers == number
        section_db, is_shared = like_of.get(k, (0.0, False))
        if abs(section_db) >= settings.section_dead_db:
            section_dbs[members] = _held(section_db, settings.section_limit_db)
        told = is_shared and max(abs(section_db), abs(alone_dbs[k])) >= settings.section_dead_db
        for i in np.flatnonzero(members).tolist():
            one = wanted[i]
            one.holds_balance = followed.song >= 0.5
            one.as_repeats = told
            one.level_lu = float(own[i] - here.own_lufs)
            bed_i = float(bed[i]) if heard[i] else None
            if bed_i is not None and here.bed_lufs is not None:
                one.bed_lu = bed_i - here.bed_lufs
            if own[i] > VOICE_LUFS:
                missing_db[i] = _agreed(*here.missing(float(own[i]), bed_i), followed.song)

    # A phrase that is even as a whole rides in its words alone.
    phrase_of = np.array([run.phrase for run in runs])
    even = followed.phrases if settings.ride_phrases else np.ones(len(phrases))
    lengths_n = np.bincount(phrase_of, ends - starts, len(phrases))
    means_db = np.bincount(phrase_of, missing_db * (ends - starts), len(phrases)) / np.maximum(lengths_n, 1.0)
    missing_db -= (even * means_db)[phrase_of]
    missing_db[np.abs(missing_db) < (followed.phrases * EVEN_WORD_DB)[phrase_of]] = 0.0
    middles_db = [0.0] * len(phrases)
    for p in np.unique(phrase_of):
        own_runs = phrase_of == p
        middles_db[p] = middle_mean(missing_db[own_runs], (ends - starts)[own_runs].astype(np.float64))

    for i, one in enumerate(wanted):
        aim_lu = section_aims.get(sections[one.section].id, settings.aim_lu) if one.section >= 0 else settings.aim_lu
        # What a section leaves of its limit its phrases may use, and what a phrase leaves of its own its words.
        limit_db = settings.phrase_limit_db + settings.section_limit_db - abs(section_dbs[i])
        offset_db = _held(float(missing_db[i]), limit_db)
        if one.run.length_n <= WORD_RUN_S * measures.rate_hz:
            main_db = _held(middles_db[one.run.phrase], limit_db)
            word_limit_db = settings.word_limit_db + max(0.0, settings.phrase_limit_db - abs(main_db))
            offset_db = main_db + _held(float(missing_db[i]) - main_db, word_limit_db)
        one.limited = offset_db != missing_db[i]
        one.idle = abs(offset_db) < settings.phrase_dead_db
        one.section_db = settings.share * float(section_dbs[i]) + aim_lu - settings.aim_lu
        one.gain_db = one.section_db + settings.share * offset_db
        if one.quiet:
            one.gain_db = min(one.gain_db, 0.0)
        elif bed_here[i] >= ABSENT_LUFS and own[i] > VOICE_LUFS:
            balance = own[i] - bed_here[i] + law_db(measures, settings.centre_law_db) + trim_db + one.gain_db
            one.lost_lu = max(0.0, float(aim_lu - settings.lost_lu - balance))
            one.gain_db += settings.share * min(one.lost_lu, settings.word_limit_db)
            one.idle &= not one.lost_lu
        held_db = min(max(one.gain_db, settings.lowest_db), settings.highest_db)
        one.limited |= held_db != one.gain_db
        one.gain_db = held_db
    return wanted


def _no_lines(
    rate_hz: int, phrases: tuple[Span, ...], wanted: list[Wanted], own: np.ndarray, lengths_n: np.ndarray
) -> list[Wanted]:
    """Find runs of phrases that are a sigh or the like: without a lyric, brief, and far under the rest."""
    middle_lufs = weighted_quantile(own, lengths_n.astype(np.float64), 0.5)
    return [
        one
        for one in wanted
        if one.run.own_lufs < middle_lufs - SIGH_LU
        and not phrases[one.run.phrase].label
        and not any(word.label for word in one.run.words)
        and phrases[one.run.phrase].length_n < SIGH_S * rate_hz
    ]


def _bed_spans(measures: Measures, phrases: tuple[Span, ...], runs: tuple[Run, ...]) -> tuple[np.ndarray, np.ndarray]:
    """Stretch over which the bed of each run is taken: `BED_S` around its middle, as far as its phrase goes."""
    starts, ends = borders(runs)
    of_phrase = np.array([run.phrase for run in runs])
    phrase_starts, phrase_ends = (row[of_phrase] for row in borders(phrases))
    beside_n = np.maximum(round(BED_S * measures.rate_hz) - (ends - starts), 0) // 2
    firsts = np.maximum(starts - beside_n, np.minimum(phrase_starts, starts))
    lasts = np.minimum(ends + beside_n, np.maximum(phrase_ends, ends))
    return firsts, lasts


def _all_quiet(run: Run, quiet_ids: Set[str]) -> bool:
    return bool(run.words) and all(word.id in quiet_ids for word in run.words)


def _held(gain_db: float, limit_db: float) -> float:
    return min(max(gain_db, -limit_db), limit_db)


@dataclass(frozen=True, slots=True)
class _Anchors:
    """Levels that a stretch should hold: the vocal's own, and the bed's that it is measured against."""

    own_lufs: float
    bed_lufs: float | None
    follow: float
    level_lufs: float
    balance_lu: float

    def missing(self, own_lufs: float, bed_lufs: float | None) -> tuple[float, float]:
        """Gain to the wanted level by `follow`, and gain to the balance held throughout."""
        if bed_lufs is None or self.bed_lufs is None:
            return self.own_lufs - own_lufs, self.own_lufs - own_lufs
        bed_lu = bed_lufs - self.bed_lufs
        return self.level_lufs + self.follow * bed_lu - own_lufs, self.balance_lu + bed_lu - own_lufs


def _anchors(own: np.ndarray, bed: np.ndarray, heard: np.ndarray, weights: np.ndarray, follow: float) -> _Anchors:
    own_lufs = middle_mean(own, weights)
    if not heard.any():
        return _Anchors(own_lufs, None, follow, own_lufs, own_lufs)
    bed_lufs = middle_mean(bed[heard], weights[heard])
    change = np.where(heard, bed - bed_lufs, 0.0)
    return _Anchors(
        own_lufs, bed_lufs, follow, middle_mean(own - follow * change, weights), middle_mean(own - change, weights)
    )


def _agreed(to_level_db: float, to_balance_db: float, follows: float) -> float:
    """Gain to the wanted level; for a vocal that follows its bed, no further than both anchors ask for."""
    both_db = 0.0
    if to_level_db * to_balance_db > 0.0:
        both_db = np.sign(to_level_db) * min(abs(to_level_db), abs(to_balance_db))
    return float(to_level_db + follows * (both_db - to_level_db))


def _fitted(measures: Measures, segments: Segments, wanted: list[Wanted]) -> Lane:
    """Lane through the wanted gains."""
    rate_hz = measures.rate_hz
    gates: list[tuple[int, float, float, float]] = []
    start_n = max(0, wanted[0].run.start_n - round(LEAD_S * rate_hz))
    moves = _slowed(
        measures, segments, wanted, [_move(rate_hz, segments, one, after) for one, after in pairwise(wanted)]
    )
    for one, (end_n, next_n) in zip(wanted, [*moves, (wanted[-1].run.end_n, wanted[-1].run.end_n)]):
        end_n = max(end_n, start_n + 1)
        gates += _plateau(rate_hz, segments, one, start_n, end_n)
        start_n = max(next_n, end_n + 1)
    frames, gains, rests, within = (np.array(column) for column in zip(*gates))
    lane = fewest_points(frames, np.minimum(gains, rests) - within, np.maximum(gains, rests) + within, gains)
    return _without_humps(lane, segments.phrases)


def _without_humps(lane: Lane, phrases: tuple[Span, ...]) -> Lane:
    """Lane that in no pause stands higher than at both of its ends.

    A move arrives a little before the onset. Where the fit lets the plateau after it fall by some hundredths of a dB,
    that arrival would stand higher than the onset: it comes down to the next breakpoint's gain.
    """
    points = list(lane.points)
    for before, after in pairwise(phrases):
        first, last = np.searchsorted(lane.frames, [before.end_n, after.start_n])
        ends_db = lane.gain_db_at([before.end_n, after.start_n]).max()
        for k in range(first, last):
            if points[k].gain_db > ends_db and k + 1 < len(points):
                least_db = max(points[k + 1].gain_db, float(lane.gain_db_at([before.end_n])[0]))
                points[k] = Breakpoint(points[k].frame_n, min(points[k].gain_db, least_db))
    return Lane(tuple(points))


def _plateau(
    rate_hz: int, segments: Segments, one: Wanted, start_n: int, end_n: int
) -> list[tuple[int, float, float, float]]:
    """Gates of a run: its ends, and the holes that its lift would not leave to sibilants and pops.

    A gain inside the dead band is no reason to move: anything from where its section rests to that gain will do.
    """
    rest_db = one.section_db if one.idle else one.gain_db
    within_db = min(FIT_DB, 0.5 * HELD_DB_PER_S * (end_n - start_n) / rate_hz)
    gates = [(start_n, one.gain_db, rest_db, within_db)]
    depth_db = min((one.gain_db - SIBILANT_FREE_DB) * (1.0 - SIBILANT_PART), SIBILANT_MOST_DB)
    if depth_db >= SIBILANT_LEAST_DB:
        ramp_n = round(SIBILANT_RAMP_S * rate_hz)
        pops = [span for span in segments.plosives if span.label == POP]
        for span in sorted([*segments.sibilants, *pops], key=lambda span: span.start_n):
            in_run = gates[-1][0] + ramp_n < span.start_n and span.end_n + ramp_n < end_n
            if in_run and span.length_n >= SIBILANT_SHORTEST_S * rate_hz:
                hole_db = one.gain_db - depth_db
                gates += [
                    (span.start_n - ramp_n, one.gain_db, rest_db, within_db),
                    (span.start_n, hole_db, hole_db, within_db),
                    (span.end_n, hole_db, hole_db, within_db),
                    (span.end_n + ramp_n, one.gain_db, rest_db, within_db),
                ]
    return [*gates, (end_n, one.gain_db, rest_db, within_db)]


def _move(rate_hz: int, segments: Segments, before: Wanted, after: Wanted) -> tuple[int, int]:
    """First and last frame of the move between two runs: in the gap, on the side of the higher gain."""
    least_s, most_s = WORD_RAMP_S
    if before.run.phrase != after.run.phrase:
        least_s, most_s = SECTION_RAMP_S if before.section != after.section else PHRASE_RAMP_S
    change_db = after.gain_db - before.gain_db
    ramp_n = round(min(max(abs(change_db) / RAMP_FULL_DB * most_s, least_s), most_s) * rate_hz)
    shortest_s, longest_s = WORD_RAMP_S if before.run.phrase == after.run.phrase else PHRASE_RAMP_S
    shortest_n = round(min(max(abs(change_db) / FASTEST_DB_PER_S, shortest_s), longest_s) * rate_hz)
    lead_s = LEAD_S if before.run.end_n < after.run.start_n else CLOSE_LEAD_S
    first_n, last_n = before.run.end_n, after.run.start_n - round(lead_s * rate_hz)
    breath = _breath_before(rate_hz, segments, before.run, after.run)
    if breath is not None:
        quick_n = round(min(max(abs(change_db) / FASTEST_DB_PER_S, WORD_RAMP_S[0]), WORD_RAMP_S[1]) * rate_hz)
        if change_db > 0.0:
            last_n = max(last_n, min(breath.end_n + quick_n, after.run.start_n - round(CLOSE_LEAD_S * rate_hz)))
            first_n = min(max(first_n, breath.end_n), last_n - quick_n)
        else:
            last_n = min(last_n, breath.start_n)
            first_n = max(min(_word_end(segments, breath.start_n), last_n - quick_n), before.run.middle_n)
            last_n = max(last_n, first_n + quick_n)
    elif last_n - first_n < shortest_n:
        return last_n - shortest_n, last_n
    ramp_n = min(ramp_n, last_n - first_n)
    return (last_n - ramp_n, last_n) if change_db > 0.0 else (first_n, first_n + ramp_n)


def _breath_before(rate_hz: int, segments: Segments, before: Run, after: Run) -> Span | None:
    """Breath that the voice draws before a run: the last one between it and the word before."""
    i = bisect_left(segments.breaths, after.start_n, key=lambda span: span.middle_n) - 1
    if i < 0:
        return None
    breath = segments.breaths[i]
    j = bisect_left(segments.words, breath.middle_n, key=lambda span: span.start_n)
    said_between = j < len(segments.words) and segments.words[j].start_n < after.start_n - round(BEGUN_S * rate_hz)
    return None if said_between or breath.middle_n < before.middle_n else breath


def _word_end(segments: Segments, frame_n: int) -> int:
    """End of the last word that begins before a frame, at most that frame."""
    i = bisect_left(segments.words, frame_n, key=lambda span: span.start_n) - 1
    return min(segments.words[i].end_n, frame_n) if i >= 0 else frame_n


def _slowed(
    measures: Measures, segments: Segments, wanted: list[Wanted], moves: list[tuple[int, int]]
) -> list[tuple[int, int]]:
    """First and last frames of moves, those drawn out that would lurch inside a word.

    A quick move inside a word is none where it takes a jump of the voice's own level out.
    """
    rate_hz, frames_n = measures.rate_hz, measures.frames_n
    edge_n, beside_n = round(INSIDE_WORD_S * rate_hz), round(QUICK_S * rate_hz)
    changes_db = np.diff([one.gain_db for one in wanted])
    inside = []
    for k, (first_n, last_n) in enumerate(moves):
        if abs(changes_db[k]) > QUICK_DB and wanted[k].run.end_n == wanted[k + 1].run.start_n:
            word = holder(segments.words, wanted[k].run.end_n)
            if word is not None and last_n > word.start_n + edge_n and first_n < word.end_n - edge_n:
                inside.append(k)
    if not inside:
        return moves
    changes_db, slowed = changes_db[inside], list(moves)
    takes_out = np.ones(len(inside), bool)
    # A window that begins with the move, and one that ends with it.
    borders_n = np.array([moves[k] for k in inside])
    for starts_n in (borders_n[:, 0], borders_n[:, 1] - beside_n):
        starts_n = np.clip(starts_n, 1, max(frames_n - beside_n - 2, 1))
        ends_n = np.minimum(starts_n + beside_n, frames_n - 1)
        before = span_loudness_lufs(measures.vocal, np.maximum(starts_n - beside_n, 0), starts_n)
        after = span_loudness_lufs(measures.vocal, ends_n, np.minimum(ends_n + beside_n, frames_n))
        own_lu = np.maximum(after, ABSENT_LUFS) - np.maximum(before, ABSENT_LUFS)
        takes_out &= np.abs(own_lu + changes_db) <= np.abs(own_lu)
    for k, change_db in zip(np.array(inside)[~takes_out].tolist(), changes_db[~takes_out].tolist()):
        middle_n, half_n = sum(moves[k]) // 2, round(SLOWED * 0.5 * abs(change_db) / QUICK_DB * beside_n)
        slowed[k] = (
            max(middle_n - half_n, wanted[k].run.middle_n),
            min(middle_n + half_n, wanted[k + 1].run.middle_n),
        )
    return slowed


def _phrase_suggestions(
    measures: Measures,
    segments: Segments,
    settings: RideSettings,
    wanted: list[Wanted],
    lane: Lane,
    trim_db: float,
) -> tuple[PhraseSuggestion, ...]:
    phrases = segments.phrases
    starts, ends = borders(phrases)
    before = balance_lu(measures, starts, ends, settings.centre_law_db) + trim_db
    edges = [0, *((one.end_n + two.start_n) // 2 for one, two in pairwise(phrases)), measures.frames_n]
    edges_db = lane.gain_db_at(edges).tolist()
    firsts, lasts = np.searchsorted(lane.frames, np.array(edges[:-1]) + 1), np.searchsorted(lane.frames, edges[1:])
    rides_db = mean_rides_db(lane, measures.vocal, starts, ends).tolist()
    by_phrase: list[list[Wanted]] = [[] for _ in phrases]
    for one in wanted:
        by_phrase[one.run.phrase].append(one)
    told = []
    for p, phrase in enumerate(phrases):
        start_n, end_n = edges[p], edges[p + 1]
        points = list(lane.points[firsts[p] : lasts[p]])
        first_db, last_db = edges_db[p], edges_db[p + 1]
        if points or first_db or last_db:
            points = [Breakpoint(start_n, first_db), *points, Breakpoint(end_n, last_db)]
        known = bool(np.isfinite(before[p]))
        own = by_phrase[p]
        told.append(
            PhraseSuggestion(
                phrase.id,
                start_n,
                end_n,
                tuple(points),
                rides_db[p],
                float(before[p]) if known else None,
                float(before[p]) + rides_db[p] if known else None,
                phrase_reason(measures.rate_hz, settings, own, rides_db[p]),
                word_reasons(own, settings),
            )
        )
    return tuple(told)
