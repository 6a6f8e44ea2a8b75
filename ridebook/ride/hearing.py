"""Which gain each word takes to be heard over the bed, by what is measured of its audibility."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from ridebook.measure.audibility import (
    LISTENING_DB,
    audibility,
    gain_to_hear,
    listening_offset_db,
    mix_loudness_lufs,
    word_levels,
)
from ridebook.measure.bands import PairBands
from ridebook.measure.measures import Measures
from ridebook.segment.spans import Span


@dataclass(frozen=True, eq=False)
class Hearing:
    """What the bed leaves of the words of a pair.

    Parameters
    ----------
    bands : PairBands
        Band powers of the pair.
    listening_db : float
        Level at which the mix is heard, dB SPL.
    offset_db : float
        The same as what `ridebook.measure.audibility.listening_offset_db` gives.
    words : tuple of Span
        The words.
    needed_db : ndarray
        float64, shape (words,). Least whole gain with which each is heard: trim, lane and what a centre law takes. With
        less it is lost. NaN where no gain does.
    """

    bands: PairBands
    listening_db: float
    offset_db: float
    words: tuple[Span, ...]
    needed_db: np.ndarray

    @cached_property
    def places(self) -> dict[str, int]:
        """Place of each word by its id."""
        return {word.id: i for i, word in enumerate(self.words)}

    def fits(self, words: tuple[Span, ...], listening_db: float) -> bool:
        """Whether it is about these words at this level."""
        return listening_db == self.listening_db and (words is self.words or words == self.words)

    def audibility(self, gain_db: np.ndarray | float) -> np.ndarray:
        """Audibility of all words at a gain, one for all or shape (words,); float64, 0 to 1."""
        return audibility(word_levels(self.bands, *_borders(self.words), self.offset_db), gain_db)


def hearing_of(
    bands: PairBands,
    measures: Measures,
    words: tuple[Span, ...],
    listening_db: float = LISTENING_DB,
    before: Hearing | None = None,
) -> Hearing:
    """Find what each word takes to be heard.

    Parameters
    ----------
    bands : PairBands
        Band powers of the pair.
    measures : Measures
        Its measures, for how loud the mix is.
    words : tuple of Span
        The words.
    listening_db : float
        Level at which the mix is heard, dB SPL.
    before : Hearing, optional
        What was found for other words of the same pair; those that lie where they did are not listened to again.
    """
    known: dict[tuple[int, int], float] = {}
    if before is not None and before.bands is bands and before.listening_db == listening_db:
        offset_db = before.offset_db
        known = {(word.start_n, word.end_n): at for word, at in zip(before.words, before.needed_db.tolist())}
    else:
        offset_db = listening_offset_db(mix_loudness_lufs(measures), listening_db)
    needed_db = np.array([known.get((word.start_n, word.end_n), np.inf) for word in words], np.float64)
    new = np.flatnonzero(np.isposinf(needed_db))
    if len(new):
        levels = word_levels(bands, *_borders(tuple(words[i] for i in new.tolist())), offset_db)
        needed_db[new] = gain_to_hear(levels)
    return Hearing(bands, listening_db, offset_db, words, needed_db)


def _borders(words: tuple[Span, ...]) -> tuple[np.ndarray, np.ndarray]:
    starts, ends = ([getattr(word, side) for word in words] for side in ("start_n", "end_n"))
    return np.array(starts, np.int64), np.array(ends, np.int64)
