"""What references say about how loud is loud enough."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum

import numpy as np

from ridebook.measure.measures import Measures
from ridebook.measure.spans import balance_lu, mean_balance_lu
from ridebook.segment.spans import Segments, Span

COVERED_Z = 1.645
"""Half width of an interval that covers 90 % of a normal distribution, in standard deviations."""

SONG_SPREAD_LU = 1.5
"""Standard deviation of the balance from song to song of one kind, beside what a measurement leaves open (a choice
of this program: no publication at hand gives it)."""


class ReferenceKind(StrEnum):
    """What a balance was learnt from."""

    PAIR = "vocal and bed"
    MIX = "finished mix"
    PUBLISHED = "published"


@dataclass(frozen=True, slots=True)
class KnownBalance:
    """Balance of a reference, and how surely it is known.

    Parameters
    ----------
    name : str
        The reference, for people.
    kind : ReferenceKind
        What it was learnt from.
    balance_lu : float or None
        Balance while the voice sounds, in LU; None where nothing can be told.
    half_width_lu : float
        The truth lies this far to either side at most in 90 % of cases; 0 where it was measured on stems.
    note : str
        A sentence on how it was learnt, or on why nothing can be told.
    """

    name: str
    kind: ReferenceKind
    balance_lu: float | None
    half_width_lu: float = 0.0
    note: str = ""


PUBLISHED = KnownBalance(
    name="released records from 1975 on",
    kind=ReferenceKind.PUBLISHED,
    balance_lu=1.0,
    half_width_lu=4.0,
    note=(
        "Gerdes and Siedenburg 2023, JASA Express Letters 3(4), 043201: mean level of lead vocals to the rest. Country "
        "stands highest, rock at about 0, metal under 0."
    ),
)
"""Published balance of released records: a level ratio of separated vocals, taken here as a balance in LU. Its spread
from song to song is not at hand; the half width is this program's own caution."""


@dataclass(frozen=True, slots=True)
class PairStanding:
    """How the voice of a finished vocal and bed stands.

    Parameters
    ----------
    balance_lu : float or None
        Balance over all phrases; None where there is no voice or no bed.
    sections : tuple of (str, float)
        Name and balance of each section that has a bed, in order of time.
    word_spread_lu : float or None
        Median difference in balance between a word and the next one of its phrase; None where there are no two.
    words_n : int
        Pairs of words that this was taken over.
    """

    balance_lu: float | None
    sections: tuple[tuple[str, float], ...] = ()
    word_spread_lu: float | None = None
    words_n: int = 0


def pair_standing(measures: Measures, segments: Segments, centre_law_db: float = 0.0) -> PairStanding:
    """How the voice of a pair stands, as the pair is.

    Parameters
    ----------
    measures : Measures
        Measures of the pair.
    segments : Segments
        Its sections, phrases and words.
    centre_law_db : float
        As for `ridebook.measure.spans.balance_lu`.
    """

    def mean_lu(phrases: Sequence[Span]) -> float | None:
        if not phrases:
            return None
        lu = mean_balance_lu(measures, *_borders(phrases), centre_law_db)
        return lu if np.isfinite(lu) else None

    sections = [
        (section.label or f"section {i + 1}", mean_lu(segments.phrases_of(section)))
        for i, section in enumerate(segments.sections)
    ]
    apart: list[float] = []
    for phrase in segments.phrases:
        words = segments.words_of(phrase)
        if len(words) > 1:
            apart.extend(np.abs(np.diff(balance_lu(measures, *_borders(words), centre_law_db))))
    known = np.array(apart)[np.isfinite(apart)] if apart else np.zeros(0)
    return PairStanding(
        mean_lu(segments.phrases),
        tuple((label, lu) for label, lu in sections if lu is not None),
        float(np.median(known)) if len(known) else None,
        len(known),
    )


@dataclass(frozen=True, slots=True)
class AimRange:
    """What several references ask for.

    Parameters
    ----------
    aim_lu : float
        Their mean, the surer ones counting for more.
    low_lu, high_lu : float
        Lowest and highest balance among them.
    half_width_lu : float
        The mean is this far off to either side at most in 90 % of cases.
    references_n : int
        How many they are.
    """

    aim_lu: float
    low_lu: float
    high_lu: float
    half_width_lu: float
    references_n: int


def aim_of(references: Sequence[KnownBalance]) -> AimRange | None:
    """Aim that references ask for; None where none of them tells a balance.

    Each counts by one over the variance of what it says: `SONG_SPREAD_LU` squared, for songs differ, plus that of its
    own measurement. The trim goes over this aim by `RideSettings.lean_lu`, as over any other.
    """
    told = [(each.balance_lu, each.half_width_lu) for each in references if each.balance_lu is not None]
    if not told:
        return None
    balances, halves = np.array(told, np.float64).T
    weights = 1.0 / (SONG_SPREAD_LU**2 + (halves / COVERED_Z) ** 2)
    return AimRange(
        float((weights * balances).sum() / weights.sum()),
        float(balances.min()),
        float(balances.max()),
        float(COVERED_Z / np.sqrt(weights.sum())),
        len(told),
    )


def _borders(spans: Sequence[Span]) -> tuple[np.ndarray, np.ndarray]:
    return np.array([span.start_n for span in spans]), np.array([span.end_n for span in spans])
