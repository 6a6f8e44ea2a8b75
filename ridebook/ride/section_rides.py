"""What sections ride that sing the same: alike, unless the bed under them differs."""

from __future__ import annotations

from collections.abc import Sequence

from ridebook.segment.repeats import sung_name
from ridebook.segment.spans import Span

ALIKE_BED_LU = 1.0
"""Beds of two repeats that stand closer are one bed."""
ALIKE_LU = 1.5
"""Repeats whose balance differs by more were not left so by the singer: each rides by itself. (Both are choices of this
program, no source.)"""
SUNG_OUT_LU = 3.0
"""So far over the others a last repeat is sung out, and no mistake (a choice of this program, no source)."""


def like_rides_db(
    sections: Sequence[Span], wanted_db: Sequence[float], beds_lufs: Sequence[float | None]
) -> tuple[list[float], list[bool]]:
    """Rides of sections, those alike that sing the same over the same bed.

    Such repeats share the mean of what they want, weighted by length. Where the last of them stands over the others it
    is no part of that mean and rides as they do, so that a last chorus that is sung out is not lowered to the earlier
    ones (common practice, no source).

    Parameters
    ----------
    sections : sequence of Span
        Sections, in order of time.
    wanted_db : sequence of float
        What each would ride by itself, in dB, before dead band and limit: how far its balance is off.
    beds_lufs : sequence of float or None
        Loudness of the bed under each; None where there is none.

    Returns
    -------
    list of float
        Ride of each, in dB.
    list of bool
        Whether it is one that it shares with its repeats.
    """
    rides_db, shared = list(wanted_db), [False] * len(sections)
    names = [sung_name(section) for section in sections]
    for name in set(filter(None, names)):
        left = [k for k, other in enumerate(names) if other == name]
        last = left[-1]
        while left:
            first = left[0]
            group = [k for k in left if k == first or _one_bed(beds_lufs[first], beds_lufs[k])]
            left = [k for k in left if k not in group]
            # Alike with whom most are, of several the earliest.
            alike = max(([k for k in group if abs(wanted_db[k] - wanted_db[j]) <= ALIKE_LU] for j in group), key=len)
            others = [k for k in alike if k != last]
            if not others:
                continue
            like_db = _mean_db(sections, wanted_db, others)
            if last in group and like_db - SUNG_OUT_LU <= wanted_db[last] < like_db:
                alike = [*others, last]
            else:
                like_db = _mean_db(sections, wanted_db, alike)
            for k in alike if len(alike) > 1 else ():
                rides_db[k], shared[k] = like_db, True
    return rides_db, shared


def _mean_db(sections: Sequence[Span], wanted_db: Sequence[float], chosen: Sequence[int]) -> float:
    """Mean of what some sections want, weighted by length."""
    total_n = sum(sections[k].length_n for k in chosen)
    return sum(sections[k].length_n * wanted_db[k] for k in chosen) / total_n


def _one_bed(first_lufs: float | None, second_lufs: float | None) -> bool:
    if first_lufs is None or second_lufs is None:
        return first_lufs is second_lufs
    return abs(first_lufs - second_lufs) <= ALIKE_BED_LU
