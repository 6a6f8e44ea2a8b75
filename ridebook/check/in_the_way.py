"""What of the bed is in the way of a word: how much level would take, which region is covered, and by which bed."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum

import numpy as np

from ridebook.check.finding import up
from ridebook.measure.audibility import (
    IMPORTANCE,
    LOST,
    gain_to_hear,
    heard_information,
    word_cells,
    word_levels,
    word_powers,
)
from ridebook.measure.bands import BELOW_N, COLUMNS_N, PairBands


class Region(StrEnum):
    """Region of the voice, by what it carries (common practice, no source), as a reader sees it.

    Its borders are taken at the nearest border of a third-octave band: 89, 447, 2239 and 7079 Hz; the last one ends at
    8913 Hz, where the bands do.
    """

    RUMBLE = "under 90 Hz"
    BODY = "90-400 Hz"
    VOWELS = "400 Hz-2 kHz"
    ARTICULATION = "2-6.5 kHz"
    AIR = "above 6.5 kHz"


REGION_COLUMNS = {
    Region.RUMBLE: slice(0, 1),
    Region.BODY: slice(1, 7),
    Region.VOWELS: slice(7, 14),
    Region.ARTICULATION: slice(14, 19),
    Region.AIR: slice(19, COLUMNS_N),
}
"""Columns of the band powers that each region takes."""

COVERED = LOST
"""A region of which less is heard than this is covered: the same part that makes a word lost."""

OPEN = 0.5
"""One region is covered alone where of the rest of the voice at least this much is heard (a choice of this program)."""

WEIGHTY = 0.1
"""A region that matters less than this for the index is never what is in the way: air, and rumble."""

BEYOND_DB = 12.0
"""A word that this much more does not bring back is beyond what level is for (a choice of this program)."""

_IMPORTANCE = np.concatenate([np.zeros(BELOW_N), IMPORTANCE])
_SILENT_DB = -200.0


@dataclass(frozen=True, slots=True)
class RegionCover:
    """How one region of a word stands.

    Parameters
    ----------
    region : Region
        Which one.
    cover_db : float
        How far the bed stands over the voice there: the mean of its levels over the cells of the word, so that a single
        hit says little, less the level of the voice. Negative where the voice stands over it.
    heard : float
        Part of the region's speech information that is heard, 0 to 1; 1 where the index has no band there.
    """

    region: Region
    cover_db: float
    heard: float


@dataclass(frozen=True, slots=True)
class Obstacle:
    """What is in the way of one word.

    Parameters
    ----------
    audibility : float
        Audibility of the word with the gain that it has.
    needed_db : float or None
        Further gain that would bring it back by level alone, 0 where it is not lost; None where even 12 dB would not.
    regions : tuple of RegionCover
        All regions, from the lowest up.
    region : Region
        The one in which most of the word's information is hidden.
    alone : bool
        It is covered while the rest of the voice is heard.
    bed : int or None
        Number of the bed that has more than half of the beds' power in that region; None where there is only one bed,
        or none has.
    """

    audibility: float
    needed_db: float | None
    regions: tuple[RegionCover, ...]
    region: Region
    alone: bool
    bed: int | None

    @property
    def lost(self) -> bool:
        """The word is lost: it needs more gain than it has."""
        return self.needed_db != 0.0

    @property
    def cover_db(self) -> float:
        """How far the bed stands over the voice in `region`, in dB."""
        return next(each.cover_db for each in self.regions if each.region is self.region)


def obstacles(
    bands: PairBands,
    start_n: np.ndarray,
    end_n: np.ndarray,
    offset_db: float,
    gain_db: np.ndarray | float = 0.0,
    needed_db: np.ndarray | None = None,
) -> tuple[Obstacle, ...]:
    """Find what is in the way of words.

    Parameters
    ----------
    bands : PairBands
        Band powers of the pair.
    start_n, end_n : ndarray
        First frames and frames after the last of the words, shape (words,).
    offset_db : float
        Listening level, from `ridebook.measure.audibility.listening_offset_db`.
    gain_db : ndarray or float
        Gain of each word, shape (words,) or one for all: trim, lane and what a centre law takes.
    needed_db : ndarray, optional
        What `ridebook.measure.audibility.gain_to_hear` gives for them, where it is known.

    Returns
    -------
    tuple of Obstacle
        One for each word.
    """
    if not len(start_n):
        return ()
    gains_db = np.broadcast_to(np.asarray(gain_db, np.float64), len(start_n))
    levels = word_levels(bands, start_n, end_n, offset_db)
    further_db = (gain_to_hear(levels) if needed_db is None else needed_db) - gains_db
    heard = heard_information(levels, gains_db)
    index = heard @ np.asarray(IMPORTANCE)
    heard = np.pad(heard, ((0, 0), (BELOW_N, 0)), constant_values=1.0)
    cells, firsts = word_cells(bands.vocal, start_n, end_n)
    voice_db = _region_db(word_powers(bands.vocal, start_n, end_n)) + gains_db[:, None]
    bed_db, *beds_db = (
        np.add.reduceat(_region_db(stem.power[cells]), firsts[:-1], axis=0) / np.diff(firsts)[:, None]
        for stem in (bands.bed, *bands.beds)
    )
    made = []
    for i in range(len(index)):
        regions = tuple(
            RegionCover(region, float(bed_db[i, at] - voice_db[i, at]), _share(heard[i], columns))
            for at, (region, columns) in enumerate(REGION_COLUMNS.items())
        )
        at = max(range(len(regions)), key=lambda k: _hidden(regions[k]))
        made.append(
            Obstacle(
                audibility=float(index[i]),
                needed_db=_needed_db(float(further_db[i])),
                regions=regions,
                region=regions[at].region,
                alone=regions[at].heard < COVERED and _share_beside(heard[i], regions[at].region) >= OPEN,
                bed=_strongest([float(each[i, at]) for each in beds_db]),
            )
        )
    return tuple(made)


def sentence(obstacle: Obstacle, bed_names: Sequence[str] = (), allowed_db: float = math.inf) -> str:
    """Say what is in the way of a word and what helps, in one line.

    Parameters
    ----------
    obstacle : Obstacle
        What is in the way.
    bed_names : sequence of str
        Name of each bed, in the pair's order; used where there are several.
    allowed_db : float
        How much further up the rides may take the word.

    Returns
    -------
    str
        One or two clauses without a capital or a full stop; empty where nothing is in the way.
    """
    covers = covering(obstacle, bed_names)
    if not obstacle.lost:
        return f"heard, but {covers}" if obstacle.alone else ""
    if obstacle.needed_db is None or obstacle.needed_db > allowed_db:
        return f"level alone will not do it: {covers}"
    needs = f"{up(obstacle.needed_db):.1f} dB up would bring it back"
    return f"{needs}, but {covers} and a cut there may serve better" if obstacle.alone else f"{needs}; {covers}"


def index_text(index: float) -> str:
    """Audibility as a reader sees it; what is under the least never looks like it."""
    text = f"{index:.2f}"
    return f"just under {text}" if index < LOST and text == f"{LOST:.2f}" else text


def covering(obstacle: Obstacle, bed_names: Sequence[str] = ()) -> str:
    """Say which region is covered, by what and by how much, as a clause."""
    who = "the bed" if obstacle.bed is None else f"“{bed_names[obstacle.bed]}”"
    by = f" by {obstacle.cover_db:.0f} dB" if obstacle.cover_db >= 0.5 else ""
    return f"{who} covers {obstacle.region}{by} here"


def _needed_db(further_db: float) -> float | None:
    return max(further_db, 0.0) if further_db <= BEYOND_DB else None


def _region_db(power: np.ndarray) -> np.ndarray:
    """Levels of the regions of rows of band powers, shape (rows, regions)."""
    sums = np.stack([power[:, columns].sum(axis=1) for columns in REGION_COLUMNS.values()], axis=1)
    return np.asarray(10.0 * np.log10(np.maximum(sums, 10.0 ** (_SILENT_DB / 10.0))))


def _share(heard: np.ndarray, columns: slice) -> float:
    """Part of some columns' information that is heard; 1 where they carry none."""
    weights = _IMPORTANCE[columns]
    return float(heard[columns] @ weights / weights.sum()) if weights.any() else 1.0


def _share_beside(heard: np.ndarray, region: Region) -> float:
    weights = _IMPORTANCE.copy()
    weights[REGION_COLUMNS[region]] = 0.0
    return float(heard @ weights / weights.sum())


def _hidden(cover: RegionCover) -> float:
    """How much of the word's information a region hides, as a part of the index."""
    weight = float(_IMPORTANCE[REGION_COLUMNS[cover.region]].sum())
    return weight * (1.0 - cover.heard) if weight >= WEIGHTY else -1.0


def _strongest(levels_db: Sequence[float]) -> int | None:
    """Give the number of the bed with more than half of the power."""
    if len(levels_db) < 2:
        return None
    powers = [10.0 ** (level / 10.0) for level in levels_db]
    best = max(range(len(powers)), key=powers.__getitem__)
    return best if powers[best] > 0.5 * sum(powers) else None
