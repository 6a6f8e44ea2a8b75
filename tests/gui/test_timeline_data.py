"""What the timeline shows agrees with what the other rooms compute."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from ridebook.check.standing import standing
from ridebook.gui.timeline_data import TimelineData, Window
from ridebook.measure.loudness import windowed_lufs
from ridebook.ride.lane import Lane
from ridebook.ride.ridden import ridden
from ridebook.segment.spans import Segments
from ridebook.session import edits
from tests.gui.timeline_song import RATE_HZ, song


@pytest.fixture(scope="module")
def data():
    session, measures, _, suggestion = song(40.0, waves=False)
    session = edits.set_trim(edits.ink(session, suggestion), -4.0)
    return TimelineData(session, measures, None, None, suggestion)


@pytest.mark.parametrize("window", list(Window))
def test_loudness_is_that_of_the_meter(data, window):
    cells = window.value[0]
    # The meter's windows are whole cells; the timeline's lie around a frame.
    ends = np.arange(cells, len(data.ridden.cell_power), 37)
    middles_n = (ends - cells / 2) * RATE_HZ / 100
    of_meter = windowed_lufs(data.ridden.cell_power, cells)
    offset = len(data.ridden.cell_power) - len(of_meter)
    expected = of_meter[ends - 1 - offset] if offset else of_meter[ends - 1]
    found = data.loudness_lufs("vocal", middles_n, cells * RATE_HZ / 100)
    loud = expected > -60
    assert loud.sum() > 20
    assert found[loud] == pytest.approx(expected[loud], abs=1e-6)


def test_words_sink_as_the_standing_says(data):
    stands = standing(data.session, data.measures).words
    lost = [stands[span.id].lost for span in data.words.spans]
    assert data.lost.tolist() == lost
    assert 3 < sum(lost) < len(lost)
    sunk = [stands[span.id].sunk for span in data.words.spans]
    assert data.sunk_share.tolist() == pytest.approx(sunk)


def test_a_word_that_is_meant_to_be_quiet_is_not_lost(data):
    i = int(np.flatnonzero(data.lost)[0])
    word = data.words.spans[i]
    quiet = data.after(edits.set_quiet(data.session, [word.id]))
    assert not quiet.lost[i]
    phrase = data.segments.phrase_of(word)
    assert not data.after(edits.set_quiet(data.session, [phrase.id])).lost[i]


def test_phrase_balances_are_those_of_the_standing(data):
    stands = standing(data.session, data.measures).phrases
    assert data.phrase_balances.tolist() == pytest.approx([stands[s.id].after_lu for s in data.phrases.spans])


def test_an_edit_of_the_lane_is_followed_exactly(data):
    assert data.ridden is not None
    moved = edits.move_breakpoints(data.session, [4, 5], by_db=1.5)
    quick = data.after(moved)
    assert "ridden" in quick.__dict__
    full = ridden(data.measures.vocal, moved.lane, moved.trim_db)
    assert quick.ridden.cell_power == pytest.approx(full.cell_power, rel=1e-12)


def test_a_new_trim_is_followed(data):
    assert data.ridden is not None
    changed = data.after(edits.set_trim(data.session, 2.0))
    ratio = changed.ridden.cell_power.sum() / data.ridden.cell_power.sum()
    assert 10 * np.log10(ratio) == pytest.approx(6.0)


def test_sections_have_their_own_aim(data):
    middles = np.array([span.middle_n for span in data.sections.spans] + [0])
    assert data.aims_lu(middles)[:2].tolist() == [2.0, 0.5]
    assert data.aims_lu(np.array([0]))[0] == 2.0


def test_breakpoints_like_borders_and_gaps(data):
    phrases = data.segments.phrases
    assert phrases[0].end_n in data.borders_n
    assert (phrases[0].end_n + phrases[1].start_n) // 2 in data.borders_n


def test_words_without_a_lyric_are_numbered_in_their_phrase(data):
    bare = tuple(replace(word, label="") for word in data.segments.words)
    named = TimelineData(replace(data.session, segments=replace(data.segments, words=bare)))
    first, second, *_ = data.segments.phrases
    counts = [len(data.segments.words_of(phrase)) for phrase in (first, second)]
    wanted = [str(k + 1) for count in counts for k in range(count)]
    assert named.word_texts[: sum(counts)] == wanted
    assert data.word_texts[0] == data.segments.words[0].label


def test_without_segments_and_measures_there_is_still_something():
    session, *_ = song(20.0, waves=False)
    bare = TimelineData(replace(session, segments=Segments(), lane=Lane()))
    assert bare.in_voice(np.array([0, 5])).all()
    assert len(bare.lost) == 0
    assert bare.heard is None
