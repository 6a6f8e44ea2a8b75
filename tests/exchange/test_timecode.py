"""Timecode against the drop-frame rule counted number by number, and against its inverse."""

from __future__ import annotations

from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import settings as runs
from hypothesis import strategies as st

from ridebook.errors import SettingError
from ridebook.exchange.timecode import TimecodeClock, TimecodeRate, timecode_frames, timecode_text

RATES = list(TimecodeRate)
DROP = TimecodeRate.F29_97_DROP


def labels(rate: TimecodeRate, minutes: int):
    """Every label in order, as SMPTE ST 12-1 tells the counting (from memory): one after the other, two left out."""
    counted = {"23.976": 24, "24": 24, "25": 25, "29.97drop": 30, "29.97": 30, "30": 30}[rate.value]
    for minute in range(minutes):
        for second in range(60):
            for frame in range(counted):
                if rate.value.endswith("drop") and minute % 10 != 0 and second == 0 and frame in (0, 1):
                    continue
                mark = ";" if rate.value.endswith("drop") else ":"
                yield f"{minute // 60:02}:{minute % 60:02}:{second:02}{mark}{frame:02}"


@pytest.mark.parametrize("rate", RATES)
def test_every_frame_of_some_time_has_its_label(rate):
    count = -1
    for count, label in enumerate(labels(rate, 21 if rate is DROP else 2)):
        assert timecode_text(count, rate) == label
        assert timecode_frames(label, rate) == count
    assert count > 2000


def test_labels_of_a_day_that_are_published():
    # 17982 frames in ten minutes, 107892 in an hour, 2589408 in a day (common knowledge of the trade; by the rule,
    # 30 * 3600 - 108 an hour).
    for text, frames in [
        ("00:00:59;29", 1799),
        ("00:01:00;02", 1800),
        ("00:10:00;00", 17982),
        ("01:00:00;00", 107892),
        ("23:59:59;29", 2589407),
    ]:
        assert timecode_frames(text, DROP) == frames
        assert timecode_text(frames, DROP) == text
    assert timecode_text(2589408, DROP) == "00:00:00;00"
    assert timecode_text(-1, DROP) == "23:59:59;29"
    assert timecode_text(24 * 3600 * 25 + 3, TimecodeRate.F25) == "00:00:00:03"


def test_time_runs_as_the_frames_do():
    hour = 3600
    # An hour of labels takes 3600 s, 3603.6 s where 30 or 24 are counted at a rate a thousandth lower, and with numbers
    # dropped 3.6 ms less than an hour.
    for rate, time_s in [
        (TimecodeRate.F24, Fraction(hour)),
        (TimecodeRate.F25, Fraction(hour)),
        (TimecodeRate.F30, Fraction(hour)),
        (TimecodeRate.F23_976, Fraction(36036, 10)),
        (TimecodeRate.F29_97, Fraction(36036, 10)),
        (DROP, Fraction(107892 * 1001, 30000)),
    ]:
        assert TimecodeClock(rate).time_s_of("01:00:00:00") == time_s
    assert float(TimecodeClock(DROP).time_s_of("01:00:00;00")) == pytest.approx(3599.9964, abs=1e-9)


@given(
    rate=st.sampled_from(RATES),
    start_n=st.integers(0, 24 * 3600 * 30),
    time_s=st.fractions(0, 12 * 3600, max_denominator=192_000),
)
@runs(max_examples=150, deadline=None)
def test_times_come_back_within_a_millionth_of_a_frame(rate, start_n, time_s):
    clock = TimecodeClock(rate, timecode_text(start_n, rate))
    back_s = clock.time_s_of(clock.text_at(time_s))
    assert abs(back_s - time_s) <= Fraction(1, 2_000_000) / rate.frames_per_s
    # Whole frames are exact.
    frame_s = round(time_s * rate.frames_per_s) / rate.frames_per_s
    assert clock.time_s_of(clock.text_at(frame_s, 0)) == frame_s


def test_what_rounds_up_carries_on():
    assert timecode_text(Fraction(24_9999999, 10**7), TimecodeRate.F25, 6) == "00:00:01:00.000000"
    assert timecode_text(Fraction(1799_9999999, 10**7), DROP, 6) == "00:01:00;02.000000"
    assert timecode_text(Fraction(25, 2), TimecodeRate.F25, 1) == "00:00:00:12.5"
    assert timecode_frames("00:00:00:12,5", TimecodeRate.F25) == Fraction(25, 2)


def test_dropped_labels_are_refused_and_no_others():
    for minute in range(60):
        for frame in (0, 1):
            text = f"02:{minute:02}:00;{frame:02}"
            if minute % 10:
                with pytest.raises(SettingError, match="does not exist"):
                    timecode_frames(text, DROP)
            else:
                assert timecode_text(timecode_frames(text, DROP), DROP) == text
    assert timecode_frames("00:01:00:02", DROP) == 1800  # a colon is taken, since the rate is known


@pytest.mark.parametrize(
    ("text", "rate", "said"),
    [
        ("", TimecodeRate.F25, "no timecode"),
        ("1:2:3:4", TimecodeRate.F25, "no timecode"),
        ("01:00:00", TimecodeRate.F25, "no timecode"),
        ("-1:00:00:00", TimecodeRate.F25, "no timecode"),
        ("01:00:00:00.1234567", TimecodeRate.F25, "no timecode"),
        ("\u06601:00:00:00", TimecodeRate.F25, "no timecode"),
        ("24:00:00:00", TimecodeRate.F25, "past 23 hours"),
        ("00:60:00:00", TimecodeRate.F25, "59 minutes"),
        ("00:00:60:00", TimecodeRate.F25, "59 seconds"),
        ("00:00:00:25", TimecodeRate.F25, "from 0 to 24"),
        ("00:00:00:24", TimecodeRate.F23_976, "from 0 to 23"),
        ("00:00:00:30", TimecodeRate.F30, "from 0 to 29"),
        ("00:00:10;00", TimecodeRate.F29_97, "semicolon"),
        ("00:01:00;01.5", DROP, "does not exist"),
    ],
)
def test_what_is_no_timecode_says_why(text, rate, said):
    with pytest.raises(SettingError, match=said):
        timecode_frames(text, rate)
    with pytest.raises(SettingError, match=said):
        TimecodeClock(rate, text)
