"""How each phrase and word stands against the bed, as it was and with the rides on it."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from ridebook.measure.measures import Measures, StemMeasures
from ridebook.measure.spans import balance_lu
from ridebook.ride.lane import Lane
from ridebook.ride.ridden import ridden
from ridebook.segment.spans import Span
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
        With the rides it is still further under the aim than the settings allow, and not meant to be quiet.
    sunk : float
        How far it has sunk in the bed, 0 to 1: 0 at the aim, 0.5 where it counts as lost (a choice of this
        program, until audibility is measured).
    """

    ride_db: float
    aim_lu: float
    before_lu: float | None
    after_lu: float | None
    lost: bool
    sunk: float


@dataclass(frozen=True, eq=False)
class Standing:
    """Phrases and words by id."""

    phrases: dict[str, SpanStanding]
    words: dict[str, SpanStanding]


def standing(session: Session, measures: Measures) -> Standing:
    """How all phrases and words of a session stand.

    Parameters
    ----------
    session : Session
        Segments, decisions, settings, trim and lane.
    measures : Measures
        Measures of the pair.
    """
    with_rides = replace(measures, vocal=ridden(measures.vocal, session.lane, session.trim_db))
    quiet = {phrase_id for phrase_id, decision in session.decisions.items() if decision.quiet}
    segments = session.segments
    quiet_words = set(session.quiet_words)
    for phrase in segments.phrases:
        if phrase.id in quiet:
            quiet_words.update(word.id for word in segments.words_of(phrase))

    def of(spans: tuple[Span, ...], exempt: set[str]) -> dict[str, SpanStanding]:
        if not spans:
            return {}
        starts_n = np.array([span.start_n for span in spans])
        ends_n = np.array([span.end_n for span in spans])
        law_db = session.settings.centre_law_db
        before = balance_lu(measures, starts_n, ends_n, law_db) + session.trim_db
        after = balance_lu(with_rides, starts_n, ends_n, law_db)
        return {
            span.id: _one(session, span, ride_db, before_lu, after_lu, span.id in exempt)
            for span, ride_db, before_lu, after_lu in zip(
                spans,
                mean_rides_db(session.lane, measures.vocal, starts_n, ends_n).tolist(),
                before.tolist(),
                after.tolist(),
            )
        }

    return Standing(of(segments.phrases, quiet), of(segments.words, quiet_words))


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


def _one(session: Session, span: Span, ride_db: float, before_lu: float, after_lu: float, exempt: bool) -> SpanStanding:
    section = session.segments.section_of(span)
    aim_lu = session.settings.aim_lu
    if section is not None:
        aim_lu = session.section_aims.get(section.id, aim_lu)
    no_bed = np.isnan(after_lu)
    under_lu = 0.0 if no_bed or exempt else aim_lu - after_lu
    return SpanStanding(
        ride_db=ride_db,
        aim_lu=aim_lu,
        before_lu=None if no_bed else before_lu,
        after_lu=None if no_bed else after_lu,
        lost=under_lu > session.settings.lost_lu,
        sunk=float(min(max(under_lu / (2.0 * session.settings.lost_lu), 0.0), 1.0)),
    )
