"""Words that the rides leave lost: each gets the gain with which it is heard, where the limits have room for it."""

from __future__ import annotations

import math
from collections.abc import Set
from dataclasses import replace
from typing import Any, ClassVar, Protocol, TypeVar

import numpy as np

from ridebook.measure.measures import ABSENT_LUFS, Measures
from ridebook.measure.spans import law_db, span_loudness_lufs, span_power
from ridebook.ride.hearing import Hearing
from ridebook.ride.runs import SHORTEST_S, Run
from ridebook.ride.settings import RideSettings
from ridebook.segment.spans import Segments, Span

OVER_DB = 0.5
"""So far over what it needs a word is raised: the fit may fall short by half of that, and a move takes from its end."""
WHOLE_SHARE = 0.5
"""From this share on a lost word is raised all the way: half raised it would be lost all the same."""
VOICE_LUFS = -70.0
"""What is quieter is no voice, as in BS.1770's absolute gate."""


class Wanted(Protocol):
    """What is wanted of a run: its gain in dB, and whether it may as well rest where its section does."""

    __dataclass_fields__: ClassVar[dict[str, Any]]
    run: Run
    gain_db: float
    section_db: float
    idle: bool


AnyWanted = TypeVar("AnyWanted", bound=Wanted)


def lost_words_raised(
    wanted: list[AnyWanted],
    hearing: Hearing | None,
    measures: Measures,
    segments: Segments,
    settings: RideSettings,
    trim_db: float,
    quiet_ids: Set[str] = frozenset(),
) -> list[AnyWanted]:
    """Raise words that would stay lost: each is cut out of its run, with the gain with which it is heard.

    A word that no allowed ride brings back stays where it is: level is not its cure. So do words that are meant to be
    quiet, what is too short for a word or no voice, and all words where there is no bed.

    Parameters
    ----------
    wanted : list
        What is wanted of each run, in order of time, as dataclasses.
    hearing : Hearing or None
        What the words take to be heard; where it is not known, or of other words, all stays as it is.
    measures, segments, settings, trim_db, quiet_ids
        As `ridebook.ride.suggest.suggest` has them.

    Returns
    -------
    list
        In order of time; the parts of a run cover it without gaps.
    """
    listening_db = settings.listening_level_db
    if hearing is None or not settings.ride_words or not hearing.fits(segments.words, listening_db):
        return wanted
    has_db = trim_db + law_db(measures, settings.centre_law_db)
    share = min(settings.share / WHOLE_SHARE, 1.0)
    can_ride = _can_ride(measures, segments, quiet_ids)
    rest_dbs = [min(one.gain_db, one.section_db) if one.idle else one.gain_db for one in wanted]
    runs = [one.run for one in wanted]
    made: list[AnyWanted] = []
    for i, (one, rests_db) in enumerate(zip(wanted, rest_dbs, strict=True)):
        most_db = min(settings.word_limit_db, settings.highest_db - rests_db)
        raised = [0.0] * len(one.run.words)
        for k, word in enumerate(one.run.words):
            at = hearing.places[word.id]
            missing_db = _missing_db(measures, word, runs, rest_dbs, i, float(hearing.needed_db[at]) - has_db)
            if can_ride[at] and 0.0 < missing_db <= most_db:
                raised[k] = share * min(max(missing_db + OVER_DB, settings.word_dead_db), most_db)
        for run, more_db in _parts(one.run, raised, settings.word_dead_db):
            made.append(
                replace(one, run=run, gain_db=rests_db + more_db, idle=False) if more_db else replace(one, run=run)
            )
    return made


def _missing_db(
    measures: Measures, word: Span, runs: list[Run], rest_dbs: list[float], i: int, needed_db: float
) -> float:
    """Further gain that the part of a word in run `i` takes, so that the word as a whole has what it needs."""
    if runs[i].start_n <= word.start_n and word.end_n <= runs[i].end_n:
        return needed_db - rest_dbs[i]
    own = rest = whole = 0.0
    for j in range(max(i - 1, 0), min(i + 2, len(runs))):
        start_n, end_n = max(word.start_n, runs[j].start_n), min(word.end_n, runs[j].end_n)
        if start_n < end_n:
            energy = float(span_power(measures.vocal, start_n, end_n)) * (end_n - start_n)
            ridden = energy * 10.0 ** (rest_dbs[j] / 10.0)
            whole += energy
            own, rest = (own + ridden, rest) if j == i else (own, rest + ridden)
    wanted = whole * 10.0 ** (needed_db / 10.0) - rest
    return 10.0 * math.log10(wanted / own) if wanted > 0.0 and own > 0.0 else 0.0


def _can_ride(measures: Measures, segments: Segments, quiet_ids: Set[str]) -> np.ndarray:
    """Which words are voice over a bed and may be raised, bool."""
    words = segments.words
    starts, ends = (np.array([getattr(word, side) for word in words], np.int64) for side in ("start_n", "end_n"))
    if not words:
        return np.zeros(0, bool)
    voice = span_loudness_lufs(measures.vocal, starts, ends) > VOICE_LUFS
    bed = span_loudness_lufs(measures.bed, starts, ends) >= ABSENT_LUFS
    long = ends - starts >= SHORTEST_S * measures.rate_hz
    quiet = {phrase.id for phrase in segments.phrases} & quiet_ids
    hushed = {word.id for phrase in segments.phrases if phrase.id in quiet for word in segments.words_of(phrase)}
    meant = np.array([word.id in quiet_ids or word.id in hushed for word in words])
    return np.asarray(voice & bed & long & ~meant)


def _parts(run: Run, raised: list[float], alike_db: float) -> list[tuple[Run, float]]:
    """Cut a run at the words whose gain differs from the one before; raised neighbours that are alike stay together."""
    groups: list[tuple[int, int, float]] = []
    for k, more_db in enumerate(raised):
        if groups:
            first, _, so_far = groups[-1]
            if (so_far > 0.0) == (more_db > 0.0) and abs(so_far - more_db) <= alike_db:
                groups[-1] = (first, k + 1, max(so_far, more_db))
                continue
        groups.append((k, k + 1, more_db))
    if not any(raised):
        return [(run, 0.0)]
    borders = [run.start_n, *(run.words[first].start_n for first, _, _ in groups[1:]), run.end_n]
    return [
        (replace(run, start_n=start_n, end_n=end_n, words=run.words[first:last]), more_db)
        for (first, last, more_db), start_n, end_n in zip(groups, borders, borders[1:])
    ]
