"""Settings of a suggestion, with the defaults to begin from."""

from __future__ import annotations

from dataclasses import dataclass

from ridebook.errors import SettingError
from ridebook.measure.audibility import LISTENING_DB

AIMS_LU = {"pop": 2.0, "ballad": 4.0, "country": 3.0, "rap": 3.0, "rock": 0.0, "heavy": -2.0}
"""Balance to aim for while the voice sounds, by style (common practice, no source)."""

CENTRE_LAWS_DB = (0.0, -3.0, -4.5, -6.0)
"""Gains at which workstations put a mono track on either side (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class RideSettings:
    """How a suggestion is made. Defaults are common practice, no source, where no other is named.

    Parameters
    ----------
    aim_lu : float
        Balance aimed for, in LU, -20 to 20.
    lean_lu : float
        How far to err on the loud side, in LU, 0 to 3: a vocal that is lost costs more than one that is a
        little loud.
    band_lu : float
        Half width of the aim's tolerance band, in LU, used by checks and drawn in the timeline; 0.5 to 6.
    share : float
        How much of the way to the wanted level a ride goes, 0 to 1.
    follow : float
        How much of a change of the bed the vocal follows, 0 to 1.
    section_limit_db, phrase_limit_db, word_limit_db : float
        Furthest ride of each scale either way, in dB, 0 to 12.
    lowest_db, highest_db : float
        Furthest the whole lane goes, in dB without the trim.
    section_dead_db, phrase_dead_db, word_dead_db : float
        A wanted ride smaller than this is left alone, in dB.
    lost_lu : float
        A word this far under the aim sinks, in LU; while audibility is not measured that is what counts as lost.
    listening_level_db : float
        Level at which the mix is heard, dB SPL, 50 to 100, for audibility; its reason stands with `LISTENING_DB`.
    centre_law_db : float
        Gain at which the mix puts a mono vocal on either side: 0, -3, -4.5 or -6.
    ride_sections, ride_phrases, ride_words : bool
        Which scales ride.

    Raises
    ------
    SettingError
        A value is out of its range.
    """

    aim_lu: float = AIMS_LU["pop"]
    lean_lu: float = 0.5
    band_lu: float = 1.5
    share: float = 0.8
    follow: float = 0.4
    section_limit_db: float = 2.0
    phrase_limit_db: float = 4.0
    word_limit_db: float = 5.0
    lowest_db: float = -6.0
    highest_db: float = 6.0
    section_dead_db: float = 0.5
    phrase_dead_db: float = 0.5
    word_dead_db: float = 1.0
    lost_lu: float = 6.0
    listening_level_db: float = LISTENING_DB
    centre_law_db: float = 0.0
    ride_sections: bool = True
    ride_phrases: bool = True
    ride_words: bool = True

    def __post_init__(self) -> None:
        for name, low, high in (
            ("aim_lu", -20.0, 20.0),
            ("lean_lu", 0.0, 3.0),
            ("band_lu", 0.5, 6.0),
            ("share", 0.0, 1.0),
            ("follow", 0.0, 1.0),
            ("section_limit_db", 0.0, 12.0),
            ("phrase_limit_db", 0.0, 12.0),
            ("word_limit_db", 0.0, 12.0),
            ("lowest_db", -24.0, 0.0),
            ("highest_db", 0.0, 24.0),
            ("section_dead_db", 0.0, 6.0),
            ("phrase_dead_db", 0.0, 6.0),
            ("word_dead_db", 0.0, 6.0),
            ("lost_lu", 1.0, 20.0),
            ("listening_level_db", 50.0, 100.0),
        ):
            value = getattr(self, name)
            if not low <= value <= high:
                raise SettingError(f"{name} is {value:g}, but must lie between {low:g} and {high:g}")
        if self.centre_law_db not in CENTRE_LAWS_DB:
            raise SettingError(f"centre_law_db is {self.centre_law_db:g}, but must be 0, -3, -4.5 or -6")
