"""Choices of a hand-over as they are kept between songs."""

from __future__ import annotations

import pytest

from ridebook.errors import SettingError
from ridebook.exchange.aaf_rides import GainOn
from ridebook.exchange.breakpoints import ListGain, ListTime
from ridebook.exchange.timecode import TimecodeRate
from ridebook.work.choices import Choices, choices_from, choices_text, numbers_of
from ridebook.work.deliverables import Part


def test_what_was_kept_is_found_again() -> None:
    chosen = Choices(
        parts=(Part.AAF, Part.MANIFEST),
        steps_db=(0.25,),
        times=(ListTime.TIMECODE, ListTime.BARS),
        gains=(ListGain.LINEAR,),
        timecode=TimecodeRate.F29_97_DROP,
        bpm=97.5,
        gain_on=GainOn.TRACK,
        linked=True,
    )
    assert choices_from(choices_text(chosen)) == chosen


@pytest.mark.parametrize("text", ["", "{", "[]", '{"parts": ["loudest"]}', '{"bits": "many"}'])
def test_what_cannot_be_read_begins_anew(text: str) -> None:
    assert choices_from(text) == Choices()


def test_forms_are_in_frames_of_the_song() -> None:
    chosen = Choices(offset_s=2.5, bpm=90.0, metre="3 / 4", with_trim=False)
    form = chosen.list_form(48_000, (10, 20))
    assert (form.timeline.offset_n, form.span, form.with_trim) == (120_000, (10, 20), False)
    assert form.timeline.tempo is not None
    assert form.timeline.tempo.bar_text(form.timeline.tempo.quarter_at(2), 0) == "2|1|0"
    assert chosen.midi_form(48_000).timeline == form.timeline


def test_numbers_may_be_parted_in_any_way() -> None:
    assert numbers_of("steps", " 0.5, 1;2 3") == (0.5, 1.0, 2.0, 3.0)
    with pytest.raises(SettingError, match="steps takes numbers"):
        numbers_of("steps", "a bit")
