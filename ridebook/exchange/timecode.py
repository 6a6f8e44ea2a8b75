"""Timecode of video frames: hours, minutes, seconds and frames, counted and parsed without rounding.

Rates and counting as in SMPTE ST 12-1 (from memory; the drop-frame rule is also published widely): at 24000/1001 and
30000/1001 frames a second the frames are counted as 24 and 30, so that the count runs slow against the clock.
Drop-frame counting skips the numbers 00 and 01 at the begin of every minute whose number is not divisible by ten; no
frame is left out, only numbers are, 108 in an hour, which leaves 3.6 ms in an hour. A fraction of a frame is written
behind a decimal mark; that is this program's, since the standard counts whole frames.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from enum import StrEnum
from fractions import Fraction

from ridebook.errors import SettingError

FRACTION_DIGITS = 6
"""Decimals of a frame: a millionth is 0.008 frames of audio at 192 kHz, far under half of one."""

_TIMECODE = re.compile(r"(\d{1,2}):(\d{2}):(\d{2})([:;])(\d{2})(?:[.,](\d{1,6}))?", re.ASCII)


class TimecodeRate(StrEnum):
    """Video frames a second and how they are counted."""

    F23_976 = "23.976"
    F24 = "24"
    F25 = "25"
    F29_97_DROP = "29.97drop"
    F29_97 = "29.97"
    F30 = "30"

    @property
    def frames_per_s(self) -> Fraction:
        """Frames in a second, exactly."""
        return Fraction(self.counted * 1000, 1001) if "." in self.value else Fraction(self.counted)

    @property
    def counted(self) -> int:
        """Frame numbers in a second of timecode."""
        return {"23.976": 24, "29.97drop": 30, "29.97": 30}.get(self.value) or int(self.value)

    @property
    def drop(self) -> bool:
        """Whether two frame numbers are skipped in nine of ten minutes."""
        return self is TimecodeRate.F29_97_DROP

    @property
    def day_n(self) -> int:
        """Video frames that 24 hours of timecode count."""
        return 24 * 3600 * self.counted - (24 * 108 if self.drop else 0)


def timecode_frames(text: str, rate: TimecodeRate) -> Fraction:
    """Video frames from 00:00:00:00 to a timecode, a fraction of a frame kept.

    Parameters
    ----------
    text : str
        ``hh:mm:ss:ff``, in drop-frame counting ``hh:mm:ss;ff`` (a colon is taken too), with decimals of a frame behind
        a point or comma.
    rate : TimecodeRate
        How it counts.

    Raises
    ------
    SettingError
        It is no timecode, or none that this rate has.
    """
    match = _TIMECODE.fullmatch(text.strip())
    if not match:
        raise SettingError(f"{text[:40]!r} is no timecode; it must be hh:mm:ss:ff, for example 01:00:00:00")
    hours, minutes, seconds, frame = (int(match[i]) for i in (1, 2, 3, 5))
    if hours > 23 or minutes > 59 or seconds > 59:
        raise SettingError(f"timecode {text} is past 23 hours, 59 minutes or 59 seconds")
    if frame >= rate.counted:
        raise SettingError(
            f"timecode {text} has frame {frame}, but at {rate.value} frames go from 0 to {rate.counted - 1}"
        )
    if match[4] == ";" and not rate.drop:
        raise SettingError(f"timecode {text} has a semicolon, as drop-frame timecode has, but the rate is {rate.value}")
    count = Fraction((3600 * hours + 60 * minutes + seconds) * rate.counted + frame)
    if rate.drop:
        if minutes % 10 and seconds == 0 and frame < 2:
            raise SettingError(
                f"timecode {text} does not exist: drop-frame counting skips frames 00 and 01 at the begin of a minute "
                "that is not divisible by ten"
            )
        whole_minutes = 60 * hours + minutes
        count -= 2 * (whole_minutes - whole_minutes // 10)
    if match[6]:
        count += Fraction(int(match[6]), 10 ** len(match[6]))
    return count


def timecode_text(frames: Fraction | int, rate: TimecodeRate, digits: int = 0) -> str:
    """Timecode of a number of video frames, counted round the clock of 24 hours.

    Parameters
    ----------
    frames : Fraction or int
        Video frames from 00:00:00:00.
    rate : TimecodeRate
        How to count.
    digits : int
        Decimals of a frame, to which the number is rounded (half to even); none without.
    """
    unit = 10**digits
    whole, part = divmod(round(frames * unit) % (rate.day_n * unit), unit)
    if rate.drop:
        # Ten minutes have 17982 frames: one minute of 1800, nine of 1798.
        tens, rest = divmod(whole, 17982)
        minute = 0 if rest < 1800 else 1 + (rest - 1800) // 1798
        whole += 18 * tens + 2 * minute
    whole, frame = divmod(whole, rate.counted)
    minutes, seconds = divmod(whole, 60)
    decimals = f".{part:0{digits}d}" if digits else ""
    mark = ";" if rate.drop else ":"
    return f"{minutes // 60:02d}:{minutes % 60:02d}:{seconds:02d}{mark}{frame:02d}{decimals}"


@dataclass(frozen=True, slots=True)
class TimecodeClock:
    """Timecode that runs along a timeline.

    Parameters
    ----------
    rate : TimecodeRate
        How it counts.
    start : str
        Timecode at the timeline's zero.

    Raises
    ------
    SettingError
        The start is no timecode of this rate.
    """

    rate: TimecodeRate = TimecodeRate.F25
    start: str = "00:00:00:00"

    def __post_init__(self) -> None:
        timecode_frames(self.start, self.rate)

    def text_at(self, time_s: Fraction | int, digits: int = FRACTION_DIGITS) -> str:
        """Timecode at a time on the timeline, rounded to `digits` decimals of a frame."""
        return timecode_text(
            timecode_frames(self.start, self.rate) + time_s * self.rate.frames_per_s, self.rate, digits
        )

    def time_s_of(self, text: str) -> Fraction:
        """Time on the timeline, from 0 to 24 hours, at which this timecode runs by.

        Raises
        ------
        SettingError
            It is no timecode of this rate.
        """
        frames = timecode_frames(text, self.rate) - timecode_frames(self.start, self.rate)
        return frames % self.rate.day_n / self.rate.frames_per_s
