"""Limits that the checks hold a song against, with the defaults to begin from and why they are so."""

from __future__ import annotations

from dataclasses import dataclass, fields

from ridebook.errors import SettingError


@dataclass(frozen=True, slots=True)
class Limit:
    """One limit as a reader sees it.

    Parameters
    ----------
    low, high : float
        Range that it may be set in.
    unit : str
        Its unit.
    label : str
        What is limited.
    reason : str
        Why the default is what it is.
    """

    low: float
    high: float
    unit: str
    label: str
    reason: str


LIMITS = {
    "ceiling_dbtp": Limit(-20.0, 6.0, "dBTP", "True peak of ridden stem and mix", "common practice, no source"),
    "lurch_db": Limit(
        0.5,
        12.0,
        "dB",
        "Move within a tenth of a second, inside a word",
        "twice the upper end of the 0.5 to 1 dB that are about the least noticeable change of level of a sustained "
        "sound (from memory: Jesteadt, Wier and Green 1977; Miller 1947; Riesz 1928)",
    ),
    "step_db_per_s": Limit(
        20.0,
        2000.0,
        "dB/s",
        "Steepest move anywhere",
        "the furthest word ride, 5 dB, in the shortest ramp, 20 ms (common practice, no source)",
    ),
    "dense_per_s": Limit(
        1.0,
        100.0,
        "1/s",
        "Breakpoints over two seconds",
        "with ten seconds on a thousand pixels more lie closer than a hand takes hold of surely",
    ),
    "lift_db": Limit(
        0.0,
        12.0,
        "dB",
        "Lift of a breath, sibilant or pause over its lower neighbour",
        "what a ramp takes of it by reaching in (common practice, no source)",
    ),
    "spread_lu": Limit(
        1.0,
        20.0,
        "LU",
        "Unevenness from word to word that rides should carry",
        "a ride of a word is 1 to 2 dB, and of 4 at the most (common practice, no source)",
    ),
    "differ_lu": Limit(
        0.5, 12.0, "LU", "Difference between repeats", "the half width of the band around the aim to begin with"
    ),
    "pump_correlation": Limit(
        0.3,
        1.0,
        "correlation",
        "Rides that repeat the bed",
        "two thirds of their movement is then the bed's (a choice of this program)",
    ),
    "left_over_db": Limit(
        -120.0,
        -6.0,
        "dB",
        "What vocal plus bed may leave over of the approved mix",
        "it moves the level by under a tenth of a dB then, far below the 0.5 dB steps in which rides are made",
    ),
    "vocal_level_db": Limit(
        0.1,
        6.0,
        "dB",
        "Vocal's level against that of the approved mix",
        "under the least noticeable change of level, 0.5 to 1 dB (from memory)",
    ),
}
"""What can be set, by the names of the fields of `CheckLimits`."""


@dataclass(frozen=True, slots=True)
class CheckLimits:
    """What the checks hold a song against; `LIMITS` says what each is, its unit, range and reason.

    Raises
    ------
    SettingError
        A value is out of its range.
    """

    ceiling_dbtp: float = -1.0
    lurch_db: float = 2.0
    step_db_per_s: float = 250.0
    dense_per_s: float = 8.0
    lift_db: float = 1.5
    spread_lu: float = 6.0
    differ_lu: float = 1.5
    pump_correlation: float = 0.8
    left_over_db: float = -40.0
    vocal_level_db: float = 0.3

    def __post_init__(self) -> None:
        for field in fields(self):
            value, limit = getattr(self, field.name), LIMITS[field.name]
            if not limit.low <= value <= limit.high:
                raise SettingError(
                    f"the limit {field.name} is {value:g} {limit.unit}, but must lie between {limit.low:g} and "
                    f"{limit.high:g}"
                )
