"""Proof: what the rides did, as figures before and after on the same spans."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from enum import StrEnum

import numpy as np

from ridebook.check.dynamics import dynamics_kept
from ridebook.check.standing import SpanStanding, standing
from ridebook.measure.measures import Measures
from ridebook.measure.spans import mean_balance_lu
from ridebook.ride.hearing import Hearing
from ridebook.ride.lane import Lane
from ridebook.ride.reference import KnownBalance
from ridebook.ride.ridden import ridden
from ridebook.session.document import Session
from ridebook.session.edits import quiet_ids


class LostBy(StrEnum):
    """What says that a word is lost."""

    AUDIBILITY = "audibility"
    BALANCE = "balance"


@dataclass(frozen=True, slots=True)
class Figures:
    """How phrases and words stand, at one of two times.

    Parameters
    ----------
    phrase_spread_lu : float or None
        Standard deviation of the balances of the phrases that have a bed; None where there are fewer than two.
    phrases_out : int
        Phrases outside the aim's band; those meant to be quiet count over it only.
    words_lost : int
        Words that the bed hides, without those meant to be quiet.
    words_sunk : int
        Words further under the aim than the settings allow, without those meant to be quiet.
    words_out : int
        Words outside the aim's band; those meant to be quiet count over it only.
    """

    phrase_spread_lu: float | None
    phrases_out: int
    words_lost: int
    words_sunk: int
    words_out: int


@dataclass(frozen=True, slots=True)
class Metered:
    """What a meter says of a whole signal, by ITU-R BS.1770-5 and EBU Tech 3342.

    Parameters
    ----------
    integrated_lufs : float or None
        Gated loudness; None where nothing is over the gate.
    loudness_range_lu : float
        Loudness range.
    true_peak_dbtp : float or None
        True peak; None where all is silent.
    """

    integrated_lufs: float | None
    loudness_range_lu: float
    true_peak_dbtp: float | None


@dataclass(frozen=True, slots=True)
class Outputs:
    """Meters on what would be rendered: the vocal alone, and the mix."""

    stem: Metered
    mix: Metered


@dataclass(frozen=True, slots=True)
class Proof:
    """What the rides did.

    Parameters
    ----------
    before, after : Figures
        With the trim alone, and with trim and rides.
    phrases, words : int
        How many there are.
    dynamics_kept : float or None
        How much of a difference between two phrases of the singer is left after the rides, as `DynamicsKept` has it.
    breakpoints : int
        Breakpoints of the lane.
    breakpoints_per_phrase, breakpoints_per_minute : float
        Their density; 0 where there are no phrases.
    rendered_before, rendered_after : Outputs or None
        Loudness, range and peaks with the trim alone, and with trim and rides; None where they were not metered.
    references : tuple of (str, Metered)
        Name and meters of each reference.
    lost_by : LostBy
        What says which words are lost.
    song_before_lu, song_after_lu : float or None
        Balance of the song over all its phrases, with the trim alone and with trim and rides; None where there is no
        phrase with a bed.
    balances : tuple of KnownBalance
        Balance of each reference.
    word_dynamics_kept : float or None
        The same as `dynamics_kept` for the words, each against the mean of the words of its phrase.
    """

    before: Figures
    after: Figures
    phrases: int
    words: int
    dynamics_kept: float | None
    breakpoints: int
    breakpoints_per_phrase: float
    breakpoints_per_minute: float
    rendered_before: Outputs | None = None
    rendered_after: Outputs | None = None
    references: tuple[tuple[str, Metered], ...] = ()
    lost_by: LostBy = LostBy.BALANCE
    song_before_lu: float | None = None
    song_after_lu: float | None = None
    balances: tuple[KnownBalance, ...] = ()
    word_dynamics_kept: float | None = None


def prove(session: Session, measures: Measures, hearing: Hearing | None = None) -> Proof:
    """Figures of a session before and after its rides.

    Parameters
    ----------
    session : Session
        The session.
    measures : Measures
        Measures of the pair.
    hearing : Hearing, optional
        What the words take to be heard; without it those count as lost that sink.
    """
    stands = standing(session, measures, hearing=hearing)
    phrases, points = session.segments.phrases, session.lane.points
    exempt = set(quiet_ids(session))
    for phrase in phrases:
        if phrase.id in exempt:
            exempt.update(word.id for word in session.segments.words_of(phrase))

    def figures(name: str, lost: np.ndarray, sinks: np.ndarray) -> Figures:
        def apart_lu(known: Mapping[str, SpanStanding]) -> list[tuple[str, float, float]]:
            all_lu = [(span_id, getattr(each, name), each.aim_lu) for span_id, each in known.items()]
            return [(i, lu, lu - aim) for i, lu, aim in all_lu if lu is not None and math.isfinite(lu)]

        of_phrases, of_words, settings = apart_lu(stands.phrases), apart_lu(stands.words), session.settings

        def out(known: list[tuple[str, float, float]]) -> int:
            band_lu = settings.band_lu
            return sum(apart > band_lu or (apart < -band_lu and i not in exempt) for i, _, apart in known)

        return Figures(
            phrase_spread_lu=float(np.std([lu for _, lu, _ in of_phrases])) if len(of_phrases) > 1 else None,
            phrases_out=out(of_phrases),
            words_lost=int(lost.sum()),
            words_sunk=int(sinks.sum()),
            words_out=out(of_words),
        )

    kept = dynamics_kept(measures, session.segments, session.lane)
    before_lu, after_lu = (song_balance_lu(session, measures, lane) for lane in (Lane(), session.lane))
    return Proof(
        before=figures("before_lu", stands.words.lost_before, stands.words.sinks_before),
        after=figures("after_lu", stands.words.lost, stands.words.sinks),
        phrases=len(phrases),
        words=len(session.segments.words),
        dynamics_kept=kept.phrases,
        word_dynamics_kept=kept.words,
        breakpoints=len(points),
        breakpoints_per_phrase=len(points) / len(phrases) if phrases else 0.0,
        breakpoints_per_minute=len(points) * 60.0 * measures.rate_hz / measures.frames_n,
        lost_by=LostBy.BALANCE if stands.hearing is None else LostBy.AUDIBILITY,
        song_before_lu=before_lu,
        song_after_lu=after_lu,
    )


def song_balance_lu(session: Session, measures: Measures, lane: Lane) -> float | None:
    """Balance of the song over all its phrases with the trim and a lane; None where no phrase has a bed."""
    phrases = session.segments.phrases
    if not phrases:
        return None
    heard = replace(measures, vocal=ridden(measures.vocal, lane, session.trim_db))
    starts_n, ends_n = np.array([(phrase.start_n, phrase.end_n) for phrase in phrases]).T
    lu = mean_balance_lu(heard, starts_n, ends_n, session.settings.centre_law_db)
    return lu if math.isfinite(lu) else None
