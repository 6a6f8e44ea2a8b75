"""How each phrase and word stands against the bed, as it was and with the rides on it."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from ridebook.measure.measures import Measures, StemMeasures
from ridebook.measure.spans import balance_lu, law_db
from ridebook.ride.hearing import Hearing
from ridebook.ride.ridden import mean_rides_db as mean_rides_db
from ridebook.ride.ridden import ridden, ridden_again
from ridebook.segment.spans import Segments, Span
from ridebook.session.document import Session


@dataclass(frozen=True, slots=True)
class SpanStanding:
    """How one phrase or word stands.

    Parameters
    ----------
    ride_db : float
        Mean of the lane over it, weighted by the vocal's power, in dB.
    aim_lu : float
        Balance that is aimed for there.
    before_lu, after_lu : float or None
        Balance with the trim alone, and with trim and lane; None where there is no bed.
    lost : bool
        The bed hides it with the rides on it: it has less gain than it takes to be heard. Where its audibility is not
        measured, and for phrases, the same as `sinks`. Never where it is meant to be quiet.
    sunk : float
        How far it has sunk in the bed, 0 to 1: 0.5 where it is just lost, 0 and 1 where it stands `lost_lu` better and
        worse than that (a choice of this program).
    lost_before : bool
        The same as `lost` with the trim alone.
    sinks, sinks_before : bool
        It stands further under the aim than `lost_lu`, with the rides and with the trim alone: how loud it is, whatever
        can be heard of it. Never where it is meant to be quiet.
    missing_db : float or None
        Further gain that it takes to be heard, under 0 where it has that much to spare; None where its audibility is
        not measured, or no gain would do.
    """

    ride_db: float
    aim_lu: float
    before_lu: float | None
    after_lu: float | None
    lost: bool
    sunk: float
    lost_before: bool = False
    sinks: bool = False
    sinks_before: bool = False
    missing_db: float | None = None

    @property
    def apart_lu(self) -> float | None:
        """How far it stands from its aim, in LU; None where there is no bed, or no voice that a level could raise."""
        if self.after_lu is None or not math.isfinite(self.after_lu):
            return None
        return self.after_lu - self.aim_lu


class Stands(Mapping[str, SpanStanding]):
    """How the spans of one kind stand, by id, in order of time.

    Kept as arrays: thousands of words are reckoned at every edit, of which a page shows some dozens.
    """

    def __init__(
        self,
        session: Session,
        measures: Measures,
        heard: Measures,
        spans: _Spans,
        exempt: np.ndarray,
        needed_db: np.ndarray | None = None,
    ) -> None:
        self._session, self._measures, self._spans = session, measures, spans
        centre_db, lost_lu = session.settings.centre_law_db, session.settings.lost_lu
        aims, song_lu = session.section_aims, session.settings.aim_lu
        each_lu = [*(aims.get(section.id, song_lu) for section in session.segments.sections), song_lu]
        self._aims_lu = np.array(each_lu)[spans.sections]
        self._before_lu = balance_lu(measures, spans.starts_n, spans.ends_n, centre_db) + session.trim_db
        self._after_lu = balance_lu(heard, spans.starts_n, spans.ends_n, centre_db)
        # Where there is no bed or no voice, level has nothing to cure.
        held = np.isfinite(self._before_lu) & np.isfinite(self._after_lu) & ~exempt
        before_lu, after_lu = (np.where(held, lu, self._aims_lu) for lu in (self._before_lu, self._after_lu))
        under_lu = self._aims_lu - after_lu
        self.sinks: np.ndarray = under_lu > lost_lu
        """Which of them stand further under the aim than `lost_lu`, bool."""
        self.sinks_before: np.ndarray = self._aims_lu - before_lu > lost_lu
        """The same with the trim alone."""
        self.lost, self.lost_before = self.sinks, self.sinks_before
        self.rides_gain_db: np.ndarray = after_lu - before_lu
        """What the rides add to the power of each, in dB; 0 where there is no voice or no bed."""
        self.gains_db: np.ndarray = session.trim_db + law_db(measures, centre_db) + self.rides_gain_db
        """Whole gain of each: trim, rides and what a centre law takes, in dB."""
        self.missing_db: np.ndarray | None = None
        """Further gain that each takes to be heard, in dB, NaN where none would do; None where that is not known."""
        if needed_db is not None:
            self.missing_db = needed_db - self.gains_db
            missing_before_db = self.missing_db + self.rides_gain_db
            # What no gain would bring back is lost too.
            self.lost, self.lost_before = (held & ~(db <= 0.0) for db in (self.missing_db, missing_before_db))
            under_lu = np.where(held, lost_lu + np.nan_to_num(self.missing_db, nan=lost_lu), 0.0)
        self._sunk = np.minimum(np.maximum(under_lu / (2.0 * lost_lu), 0.0), 1.0)

    @cached_property
    def _rides_db(self) -> np.ndarray:
        return mean_rides_db(self._session.lane, self._measures.vocal, self._spans.starts_n, self._spans.ends_n)

    def __getitem__(self, span_id: str) -> SpanStanding:
        """How one of them stands."""
        i = self._spans.places[span_id]
        no_bed = bool(np.isnan(self._after_lu[i]))
        return SpanStanding(
            ride_db=float(self._rides_db[i]),
            aim_lu=float(self._aims_lu[i]),
            before_lu=None if no_bed else float(self._before_lu[i]),
            after_lu=None if no_bed else float(self._after_lu[i]),
            lost=bool(self.lost[i]),
            sunk=float(self._sunk[i]),
            lost_before=bool(self.lost_before[i]),
            sinks=bool(self.sinks[i]),
            sinks_before=bool(self.sinks_before[i]),
            missing_db=self.missing_of(span_id),
        )

    def missing_of(self, span_id: str) -> float | None:
        """Further gain that one takes to be heard; None where it is not known or there is none."""
        if self.missing_db is None:
            return None
        missing_db = float(self.missing_db[self._spans.places[span_id]])
        return missing_db if np.isfinite(missing_db) else None

    @property
    def sunk(self) -> np.ndarray:
        """How far each has sunk, 0 to 1, float64; see `SpanStanding`."""
        return np.asarray(self._sunk)

    def sunk_of_lost(self, span_id: str) -> float | None:
        """How far one has sunk, or None where it is not lost or not there; quicker than to ask for all of it."""
        i = self._spans.places.get(span_id)
        return float(self._sunk[i]) if i is not None and self.lost[i] else None

    def is_lost(self, span_id: str) -> bool:
        """Whether one is lost; False where it is not there."""
        i = self._spans.places.get(span_id)
        return i is not None and bool(self.lost[i])

    def __iter__(self) -> Iterator[str]:
        """Ids in order of time."""
        return iter(self._spans.places)

    def __len__(self) -> int:
        """How many spans there are."""
        return len(self._spans.places)


@dataclass(frozen=True, eq=False)
class _Spans:
    """Spans of one kind as arrays: the place of each by its id, its borders, and the holder of its middle."""

    places: dict[str, int]
    starts_n: np.ndarray
    ends_n: np.ndarray
    sections: np.ndarray
    phrases: np.ndarray

    @classmethod
    def of(cls, spans: tuple[Span, ...], segments: Segments) -> _Spans:
        starts_n, ends_n = _borders(spans)
        middles_n = (starts_n + ends_n) // 2
        return cls(
            {span.id: i for i, span in enumerate(spans)},
            starts_n,
            ends_n,
            _holding(segments.sections, middles_n),
            _holding(segments.phrases, middles_n),
        )

    def of_ids(self, ids: Iterable[str]) -> list[int]:
        """Places of those of the ids that are there."""
        return [self.places[span_id] for span_id in ids if span_id in self.places]


@dataclass(frozen=True, eq=False)
class Standing:
    """Phrases and words by id.

    Parameters
    ----------
    phrases, words : Stands
        How each stands.
    lost_phrases : frozenset of str
        Ids of the phrases in which a word is lost.
    hearing : Hearing or None
        By what words are lost: their audibility, or their balance where that is None.
    """

    phrases: Stands
    words: Stands
    lost_phrases: frozenset[str]
    hearing: Hearing | None
    _of: tuple[Session, Measures, StemMeasures, _Spans, _Spans]


def standing(
    session: Session, measures: Measures, before: Standing | None = None, hearing: Hearing | None = None
) -> Standing:
    """How all phrases and words of a session stand.

    Parameters
    ----------
    session : Session
        Segments, decisions, settings, trim and lane.
    measures : Measures
        Measures of the pair.
    before : Standing, optional
        How they stood before an edit; what did not change is taken from it.
    hearing : Hearing, optional
        What the words take to be heard. Without it, or where it is of other words, those count as lost that sink.
    """
    segments = session.segments
    if hearing is not None and not hearing.fits(segments.words, session.settings.listening_level_db):
        hearing = None
    then = before._of if before is not None else None
    if then is not None and then[0].segments is segments:
        phrases, words = then[3:]
    else:
        phrases, words = _Spans.of(segments.phrases, segments), _Spans.of(segments.words, segments)
    if then is not None and then[1] is measures and then[0].trim_db == session.trim_db:
        vocal = ridden_again(measures.vocal, then[2], then[0].lane, session.lane, session.trim_db)
    else:
        vocal = ridden(measures.vocal, session.lane, session.trim_db)
    heard = replace(measures, vocal=vocal)
    # One more for what no phrase holds.
    quiet = np.zeros(len(segments.phrases) + 1, dtype=bool)
    quiet[phrases.of_ids(phrase_id for phrase_id, said in session.decisions.items() if said.quiet)] = True
    quiet_words = quiet[words.phrases]
    quiet_words[words.of_ids(session.quiet_words)] = True
    needed_db = hearing.needed_db if hearing is not None else None
    of_words = Stands(session, measures, heard, words, quiet_words, needed_db)
    lost = np.unique(words.phrases[of_words.lost])
    return Standing(
        Stands(session, measures, heard, phrases, quiet[:-1]),
        of_words,
        frozenset(segments.phrases[i].id for i in lost.tolist() if i >= 0),
        hearing,
        (session, measures, vocal, phrases, words),
    )


def _borders(spans: tuple[Span, ...]) -> tuple[np.ndarray, np.ndarray]:
    return (
        np.array([span.start_n for span in spans], dtype=np.int64),
        np.array([span.end_n for span in spans], dtype=np.int64),
    )


def _holding(spans: tuple[Span, ...], frames: np.ndarray) -> np.ndarray:
    """Place of the span that holds each frame, -1 where there is none."""
    if not spans:
        return np.full(len(frames), -1)
    starts_n, ends_n = _borders(spans)
    i = np.searchsorted(starts_n, frames, side="right") - 1
    return np.where((i >= 0) & (frames < ends_n[i]), i, -1)
