"""What leaves for a workstation: where its timeline stands against the vocal, and the lane that is written for it."""

from __future__ import annotations

from dataclasses import dataclass, field
from fractions import Fraction

from ridebook.errors import SettingError
from ridebook.exchange.dense import dense_lane
from ridebook.exchange.tempo import TempoMap
from ridebook.exchange.timecode import TimecodeClock
from ridebook.ride.lane import Breakpoint, Lane


@dataclass(frozen=True, slots=True)
class Timeline:
    """The timeline that a lane is laid on.

    Parameters
    ----------
    offset_n : int
        Where the vocal's first frame stands on it, in frames at the pair's rate; negative where the timeline begins
        inside the vocal.
    timecode : TimecodeClock
        The timecode that runs along it; its start is that of the timeline's zero.
    tempo : TempoMap or None
        Its tempi and metres, bar 1 at zero; needed for bars and beats alone.
    """

    offset_n: int = 0
    timecode: TimecodeClock = field(default_factory=TimecodeClock)
    tempo: TempoMap | None = None

    def time_s(self, frame_n: int, rate_hz: int) -> Fraction:
        """Time on the timeline of a frame of the vocal, exactly."""
        return Fraction(frame_n + self.offset_n, rate_hz)


def outgoing_lane(
    lane: Lane,
    trim_db: float,
    timeline: Timeline | None = None,
    span: tuple[int, int] | None = None,
    dense: bool = False,
) -> Lane:
    """Lane with its trim, as it is written.

    It has one breakpoint at least. What lies before the vocal and the timeline's zero becomes a breakpoint there, as no
    list begins earlier.

    Parameters
    ----------
    lane : Lane
        The rides, trim not included.
    trim_db : float
        What is added; 0 leaves the trim out.
    timeline : Timeline, optional
        Where it goes.
    span : (int, int), optional
        First and last frame of a selection: breakpoints are set at both so that the piece stands alone, and none
        outside is written. The whole lane without.
    dense : bool
        With the extra points that a receiver needs which ramps in amplitude (`dense_lane`).

    Raises
    ------
    SettingError
        The selection is empty, or all of it lies before the timeline's zero.
    """
    first_n = max(0, -timeline.offset_n) if timeline is not None else 0
    last_n: int | None = None
    edges = set()
    if span is not None:
        start_n, last_n = span
        if last_n <= start_n:
            raise SettingError(f"the selection ends at frame {last_n}, not after its start at {start_n}")
        if last_n <= first_n:
            raise SettingError("the selection lies before the timeline's zero; choose another offset")
        first_n = max(first_n, start_n)
        edges = {first_n, last_n}
    elif not lane.points or lane.points[0].frame_n < first_n:
        edges = {first_n}
    inside = {point.frame_n for point in lane.points if point.frame_n >= first_n}
    if last_n is not None:
        inside = {frame_n for frame_n in inside if frame_n <= last_n}
    frames = sorted(inside | edges)
    gains_db = lane.gain_db_at(frames) + trim_db
    whole = Lane(tuple(map(Breakpoint, frames, gains_db.tolist())))
    return dense_lane(whole) if dense else whole
