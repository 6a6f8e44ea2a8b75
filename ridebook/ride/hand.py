"""What was decided in past songs, and what that says about how this user rides.

The fit is plain, so that it can be told in a line. It leans toward what a hand did by as much as there is to learn
from: a few cases change little, many change nearly all the way. Nothing here applies itself.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from ridebook.ride.settings import RideSettings

LEAST_DB = 0.5
"""A suggested ride smaller than this says nothing about the share."""

PRIOR_CASES_N = 10
PRIOR_RIDE_DB = 2.0
"""The default share weighs as much as ten rides of 2 dB; a default limit as ten cases."""

PRIOR_SONGS_N = 3
"""The default aim weighs as much as three songs."""

KNEE_DB = 1.0
"""A ride further than this from what the share gives counts less and less (Huber 1964, Annals of Mathematical
Statistics 35: 73-101): one turned down for its own reason does not say that all are too large."""

NEAR_LIMIT = 0.75
"""Rides that were suggested at this part of their limit or more say how far this hand goes, and those that went over
the limit."""

LIMIT_PART = 90.0
SHARES = (0.2, 1.0)
LIMITS_DB = (1.0, 12.0)
AIMS_LU = (-8.0, 8.0)
_ROUNDS = 20

# All of these are choices of this program, no source but where one is named.


@dataclass(frozen=True, slots=True)
class Case:
    """One phrase that was decided.

    Parameters
    ----------
    suggested_db, final_db : float
        Mean ride over the phrase as it was suggested, and as it is.
    share : float
        Share that it was suggested with.
    limit_db : float
        Furthest ride of a phrase then.
    struck : bool
        It was turned down.
    """

    suggested_db: float
    final_db: float
    share: float
    limit_db: float
    struck: bool = False


@dataclass(frozen=True, slots=True)
class SongRecord:
    """What was decided in one song.

    Parameters
    ----------
    id : str
        Of the song: the same vocal has the same.
    title : str
        For people.
    day : str
        When it was kept, as 2026-01-31.
    cases : tuple of Case
        Its phrases that were decided by a hand.
    left_lu : float or None
        Balance at which the song was left, less the lean; None where there is no bed.
    """

    id: str
    title: str
    day: str
    cases: tuple[Case, ...] = ()
    left_lu: float | None = None


@dataclass(frozen=True, slots=True)
class Hand:
    """What past songs say.

    Parameters
    ----------
    songs_n, phrases_n, struck_n : int
        Songs and phrases that it was learnt from, and how many of these were turned down.
    share : float or None
        Share that this hand takes; None where no case says anything.
    share_n : int
        Cases behind it.
    phrase_limit_db : float or None
        Furthest that this hand rides a phrase; None where no suggestion came near its limit.
    limit_n : int
        Cases behind it.
    aim_lu : float or None
        Balance at which this hand leaves a song, less the lean; None where no song had a bed.
    aim_n : int
        Songs behind it.
    aims_lu : tuple of float
        Lowest and highest of them; empty where there is none.
    """

    songs_n: int
    phrases_n: int
    struck_n: int
    share: float | None
    share_n: int
    phrase_limit_db: float | None
    limit_n: int
    aim_lu: float | None
    aim_n: int
    aims_lu: tuple[float, ...]

    def applied(self, settings: RideSettings) -> RideSettings:
        """Give settings that lean toward this hand; the same where nothing was learnt."""
        changes: dict[str, Any] = {}
        if self.share is not None:
            changes["share"] = round(self.share, 2)
        if self.phrase_limit_db is not None:
            changes["phrase_limit_db"] = round(self.phrase_limit_db, 1)
        if self.aim_lu is not None:
            changes["aim_lu"] = round(self.aim_lu, 1)
        return replace(settings, **changes)


def learnt_hand(records: Sequence[SongRecord], defaults: RideSettings | None = None) -> Hand:
    """Learn from past songs.

    * **Share**: the slope of the final rides over what would have been wanted in full (suggested over its share),
      through zero, by a regression in which far-off cases count less; drawn to the default as by `PRIOR_CASES_N` rides
      of `PRIOR_RIDE_DB`.
    * **Phrase limit**: what nine in ten of the final rides stay within, of the cases that were suggested near their
      limit or went over it; drawn to the default by `PRIOR_CASES_N` cases.
    * **Aim**: median of the balances at which songs were left, drawn to the default by `PRIOR_SONGS_N` songs. Songs of
      all kinds count alike: nothing tells a ballad from a heavy one.

    Parameters
    ----------
    records : sequence of SongRecord
        Past songs.
    defaults : RideSettings, optional
        What to lean from.
    """
    defaults = defaults or RideSettings()
    cases = [case for record in records for case in record.cases]
    share, share_n = _share([case for case in cases if abs(case.suggested_db) >= LEAST_DB], defaults.share)
    telling = [
        abs(case.final_db)
        for case in cases
        if not case.struck
        and (abs(case.suggested_db) >= NEAR_LIMIT * case.limit_db or abs(case.final_db) > case.limit_db)
    ]
    limit_db = None
    if telling:
        own_db = float(np.percentile(telling, LIMIT_PART))
        limit_db = (len(telling) * own_db + PRIOR_CASES_N * defaults.phrase_limit_db) / (len(telling) + PRIOR_CASES_N)
        limit_db = min(max(limit_db, LIMITS_DB[0]), LIMITS_DB[1])
    left_lu = [record.left_lu for record in records if record.left_lu is not None]
    aim_lu = None
    if left_lu:
        aim_lu = len(left_lu) * float(np.median(left_lu)) + PRIOR_SONGS_N * defaults.aim_lu
        aim_lu = min(max(aim_lu / (len(left_lu) + PRIOR_SONGS_N), AIMS_LU[0]), AIMS_LU[1])
    return Hand(
        songs_n=len(records),
        phrases_n=len(cases),
        struck_n=sum(case.struck for case in cases),
        share=share,
        share_n=share_n,
        phrase_limit_db=limit_db,
        limit_n=len(telling),
        aim_lu=aim_lu,
        aim_n=len(left_lu),
        aims_lu=(min(left_lu), max(left_lu)) if left_lu else (),
    )


def _share(cases: Sequence[Case], default: float) -> tuple[float | None, int]:
    known = [case for case in cases if case.share > 0.0]
    if not known:
        return None, 0
    full_db = np.array([case.suggested_db / case.share for case in known])
    final_db = np.array([case.final_db for case in known])
    prior = PRIOR_CASES_N * PRIOR_RIDE_DB**2
    share = default
    for _ in range(_ROUNDS):
        apart_db = np.abs(final_db - share * full_db)
        weight = np.minimum(1.0, KNEE_DB / np.maximum(apart_db, 1e-9))
        share = float((weight @ (full_db * final_db) + prior * default) / (weight @ full_db**2 + prior))
    return min(max(share, SHARES[0]), SHARES[1]), len(known)
