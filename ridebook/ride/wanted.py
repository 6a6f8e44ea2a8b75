"""What is wanted of a run, and why: what the suggestion hands from one of its steps to the next."""

from __future__ import annotations

from dataclasses import dataclass

from ridebook.ride.runs import Run


@dataclass(slots=True)
class Wanted:
    """What is wanted of one run, and why.

    Parameters
    ----------
    run : Run
        The run.
    section : int
        Number of its section, -1 where it is in none.
    level_lu : float
        How far it stands over the vocal's level in its section.
    bed_lu : float or None
        The same of the bed; None where there is none.
    section_db : float
        What its section rides.
    gain_db : float
        The gain wanted, all scales together.
    idle : bool
        The gain lies inside the dead band: anything from `section_db` to it will do.
    limited : bool
        A limit holds the gain.
    lost_lu : float
        How far under what would be heard it stood without the lift for that.
    quiet : bool
        It is meant to be quiet, or no line at all.
    holds_balance : bool
        The vocal follows its bed already.
    no_line : bool
        It is a sigh or the like.
    as_repeats : bool
        Its section rides as those do that sing the same.
    """

    run: Run
    section: int
    level_lu: float = 0.0
    bed_lu: float | None = None
    section_db: float = 0.0
    gain_db: float = 0.0
    idle: bool = False
    limited: bool = False
    lost_lu: float = 0.0
    quiet: bool = False
    holds_balance: bool = False
    no_line: bool = False
    as_repeats: bool = False
