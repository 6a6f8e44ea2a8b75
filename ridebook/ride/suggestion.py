"""What a suggestion is. How it is made stands in suggest.py."""

from __future__ import annotations

from dataclasses import dataclass

from ridebook.ride.lane import Breakpoint, Lane


@dataclass(frozen=True, slots=True)
class PhraseSuggestion:
    """The ride suggested for one phrase.

    Parameters
    ----------
    phrase_id : str
        The phrase.
    start_n, end_n : int
        The cell of the lane that the phrase owns, in frames.
    points : tuple of Breakpoint
        The suggested lane inside the cell, trim not included; empty where nothing moves.
    ride_db : float
        Mean of the suggested lane over the phrase, weighted by the vocal's power, in dB.
    balance_before_lu, balance_after_lu : float or None
        Balance of the phrase with the trim alone and with the suggested ride; None where there is no bed.
    reason : str
        One line with its numbers.
    word_reasons : tuple of (str, str)
        Id of a word that rides by itself, and why.
    """

    phrase_id: str
    start_n: int
    end_n: int
    points: tuple[Breakpoint, ...]
    ride_db: float
    balance_before_lu: float | None
    balance_after_lu: float | None
    reason: str
    word_reasons: tuple[tuple[str, str], ...] = ()


@dataclass(frozen=True, slots=True)
class Suggestion:
    """A trim and rides for a whole vocal.

    Parameters
    ----------
    trim_db : float
        The one static gain of the vocal, in dB.
    lane : Lane
        All suggested rides, trim not included.
    phrases : tuple of PhraseSuggestion
        The same by phrase, in order of time.
    song_balance_lu : float or None
        Balance from the mean powers over all phrase frames, before the trim; None where there is no bed.
    """

    trim_db: float
    lane: Lane
    phrases: tuple[PhraseSuggestion, ...]
    song_balance_lu: float | None
