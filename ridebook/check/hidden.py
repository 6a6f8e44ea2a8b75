"""What hides the words of a session: the obstacle of each with the gain that it has, and what is to be said of it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from ridebook.check.in_the_way import Obstacle, covering, obstacles, sentence
from ridebook.check.standing import Standing
from ridebook.segment.spans import Span
from ridebook.session.document import Session


@dataclass(frozen=True, slots=True)
class Hidden:
    """What is in the way of one word.

    Parameters
    ----------
    obstacle : Obstacle
        Audibility, what it misses, and which region is covered by which bed.
    allowed_db : float
        How much further up the lane may take it.
    covering : str
        Which region is covered, by what and by how much, as a clause.
    said : str
        The same with what helps, in one line; empty where nothing is in the way.
    """

    obstacle: Obstacle
    allowed_db: float
    covering: str
    said: str

    @property
    def level_alone(self) -> bool:
        """Whether a ride within its limits brings the word back, or it is back already."""
        return self.obstacle.needed_db is not None and self.obstacle.needed_db <= self.allowed_db


def hidden(session: Session, stands: Standing, words: Sequence[Span], *, before: bool = False) -> dict[str, Hidden]:
    """Find what is in the way of words, by their ids; empty where their audibility is not measured.

    Parameters
    ----------
    session : Session
        The session.
    stands : Standing
        How its words stand.
    words : sequence of Span
        The words to look at: each takes some tenths of a millisecond.
    before : bool
        As it is with the trim alone, and not with the rides.
    """
    hearing = stands.hearing
    if hearing is None or not words:
        return {}
    at = np.array([hearing.places[word.id] for word in words])
    gains_db = stands.words.gains_db[at]
    rides_db = stands.words.rides_gain_db[at]
    if before:
        gains_db, rides_db = gains_db - rides_db, np.zeros(len(at))
    starts_n, ends_n = (np.array([getattr(word, side) for word in words]) for side in ("start_n", "end_n"))
    needed_db = hearing.needed_db[at]
    found = obstacles(hearing.bands, starts_n, ends_n, hearing.offset_db, gains_db, needed_db)
    names = bed_names(session)
    allowed_db = np.maximum(session.settings.highest_db - rides_db, 0.0)
    made = {
        word.id: _hidden(obstacle, most_db, names) for word, obstacle, most_db in zip(words, found, allowed_db.tolist())
    }
    # Where level is not the cure, it is to be told what would be left in the way with all the level there may be.
    beyond = np.array([not made[word.id].level_alone for word in words])
    if beyond.any():
        most_db = (gains_db + allowed_db)[beyond]
        borders = starts_n[beyond], ends_n[beyond]
        with_most = obstacles(hearing.bands, *borders, hearing.offset_db, most_db, needed_db[beyond])
        for i, most in zip(np.flatnonzero(beyond).tolist(), with_most, strict=True):
            told = replace(found[i], region=most.region, bed=most.bed, alone=most.alone)
            made[words[i].id] = _hidden(told, float(allowed_db[i]), names)
    return made


def _hidden(obstacle: Obstacle, allowed_db: float, names: Sequence[str]) -> Hidden:
    return Hidden(obstacle, allowed_db, covering(obstacle, names), sentence(obstacle, names, allowed_db))


def bed_names(session: Session) -> tuple[str, ...]:
    """Names of the beds as a sentence has them: those of their files."""
    return tuple(Path(bed.path).stem for bed in session.beds)
