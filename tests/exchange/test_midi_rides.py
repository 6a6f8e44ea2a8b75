"""Rides as controllers, read back by mido: its clock, its messages, and the gain law written out anew."""

from __future__ import annotations

import math
from bisect import bisect_right

import mido
import numpy as np
import pytest
from hypothesis import given
from hypothesis import settings as runs
from hypothesis import strategies as st

from ridebook.errors import OutputIsSourceError, SettingError
from ridebook.exchange.midi_rides import MidiForm, file_tempo, lane_steps, write_midi_rides
from ridebook.exchange.outgoing import Timeline
from ridebook.exchange.tempo import TempoChange, TempoMap, read_tempo_map
from ridebook.ride.lane import Lane
from ridebook.segment.spans import Kind, Span
from tests.session.made import lanes

RATE_HZ = 48_000
TEMPO = TempoMap.from_changes(
    [TempoChange(121.7, bar=1, metre=(6, 8)), TempoChange(73, time_s=3.3), TempoChange(40, bar=12, metre=(3, 4))]
)


def read_back(path, controller, bits):
    """Times in seconds and values of a controller, as a receiver has them; the clock is mido's."""
    times_s, values, msb, time_s = [], [], None, 0.0
    for message in mido.MidiFile(path, charset="utf-8"):
        time_s += message.time
        if message.type != "control_change":
            continue
        if message.control == controller:
            msb = message.value
            if bits == 7:
                times_s.append(time_s)
                values.append(msb)
        else:
            # The other byte comes right after, and never before its partner.
            assert message.control == controller + 32
            assert bits == 14
            assert msb is not None
            assert message.time == 0
            times_s.append(time_s)
            values.append(128 * msb + message.value)
            msb = None
    assert bits == 7 or msb is None
    return np.array(times_s), np.array(values)


def range_db(lane, offset_n, time_s, slack_s):
    """Lowest and highest gain of a lane within `slack_s` of a time on the timeline."""
    first_n, last_n = ((time_s + sign * slack_s) * RATE_HZ - offset_n for sign in (-1, 1))
    inside = lane.frames[bisect_right(lane.frames, first_n) : bisect_right(lane.frames, last_n)]
    gains_db = lane.gain_db_at(np.array([first_n, last_n, *inside]))
    return gains_db.min(), gains_db.max()


@given(
    lane=lanes(last_n=30 * RATE_HZ, most=10),
    trim_db=st.floats(-3, 3),
    bits=st.sampled_from([7, 14]),
    controller=st.sampled_from([7, 11]),
    offset_n=st.integers(0, 5 * RATE_HZ),
    tempo=st.sampled_from([None, TEMPO]),
    seed=st.integers(0, 999),
)
@runs(max_examples=25, deadline=None)
def test_the_lane_comes_back_within_what_is_stated(
    tmp_path_factory, lane, trim_db, bits, controller, offset_n, tempo, seed
):
    path = tmp_path_factory.mktemp("midi") / "rides.mid"
    form = MidiForm(controller, bits, 30.0, timeline=Timeline(offset_n, tempo=tempo))
    report = write_midi_rides(path, lane, trim_db, RATE_HZ, form)
    times_s, values = read_back(path, controller, bits)
    assert report.notices == ()
    assert report.steps_n == len(values)
    assert times_s[0] == 0.0
    assert (np.diff(times_s) > 0).all()
    assert (np.diff(values) != 0).all()
    slowest_s = 1.5 if tempo else 0.5
    tick_s = slowest_s / report.ticks_per_quarter
    assert tick_s <= 0.5e-3
    full = 2**bits - 1
    at_s = np.random.default_rng(seed).uniform(0.0, 36.0, 1000)
    held = values[np.searchsorted(times_s, at_s, side="right") - 1]
    for time_s, value in zip(at_s, held):
        low_db, high_db = (gain_db + trim_db for gain_db in range_db(lane, offset_n, time_s, tick_s + 1e-9))
        if bits == 14:
            off_db = 30.0 + 40 * math.log10(value / full)
            assert low_db - 0.1 - 1e-6 <= off_db <= high_db + 0.1 + 1e-6
        else:
            low, high = (full * 10 ** ((gain_db - 30.0) / 40) for gain_db in (low_db, high_db))
            assert low - 0.5 - 1e-6 <= value <= high + 0.5 + 1e-6


@pytest.mark.parametrize(("bits", "within_db"), [(7, 0.105), (14, 0.1)])
def test_a_ride_as_one_draws_it_is_held_at_ten_thousand_times(tmp_path, bits, within_db):
    """Moves of a few dB over 80 ms and more: what the steps may be off adds what the lane moves in a tick, 0.02 dB."""
    lane = Lane.from_pairs(
        [(0, 0.0), (48_000, 0.0), (60_000, 2.5), (144_000, 2.5), (148_000, -1.0), (200_000, -1.0), (260_000, 4.0)]
    )
    write_midi_rides(tmp_path / "x.mid", lane, 0.0, RATE_HZ, MidiForm(bits=bits))
    times_s, values = read_back(tmp_path / "x.mid", 11, bits)
    at_s = np.random.default_rng(1).uniform(0.0, 6.0, 10_000)
    held_db = 6 + 40 * np.log10(values / (2**bits - 1))
    off_db = held_db[np.searchsorted(times_s, at_s, side="right") - 1] - lane.gain_db_at(at_s * RATE_HZ)
    assert np.abs(off_db).max() <= within_db + 0.02
    if bits == 7:  # every value that is passed, and no other
        turns = np.rint(127 * 10 ** ((np.array([0.0, 2.5, -1.0, 4.0]) - 6) / 40))
        assert len(values) == 1 + np.abs(np.diff(turns)).sum()
    else:  # 11 dB of moves, 0.2 dB a step; a level stretch stands at its nearest value
        assert 11 / 0.2 < len(values) < 11 / 0.2 + 5
        assert np.abs(off_db[np.abs(at_s - 2.0) < 0.5]).max() <= 0.002


@given(
    gains_db=st.lists(st.floats(-10, 5.9), min_size=2, max_size=8),
    lengths=st.lists(st.integers(1, 9), min_size=8, max_size=8),
    bits=st.sampled_from([7, 14]),
)
@runs(max_examples=60, deadline=None)
def test_no_fewer_steps_hold_it(gains_db, lengths, bits):
    """Against every way to cut the ticks into stretches, each held by one value (the last one is the nearest)."""
    ticks = np.concatenate([[0], np.cumsum(lengths[: len(gains_db) - 1])])
    # No level stretches, and no moves that the ticks cannot hold: 0.1 dB a tick at most.
    gains_db = [float(gains_db[0])] + [0.0] * (len(gains_db) - 1) if len(set(gains_db)) == 1 else gains_db
    curve_db = [gains_db[0]]
    for gain_db, length in zip(gains_db[1:], np.diff(ticks)):
        move_db = min(max(gain_db - curve_db[-1], -0.1 * length), 0.1 * length) or 0.05
        curve_db.append(min(5.9, curve_db[-1] + move_db) if move_db > 0 else curve_db[-1] + move_db)
    if min(abs(np.diff(curve_db))) < 1e-6:
        curve_db = [gain_db - 0.003 * i for i, gain_db in enumerate(curve_db)]
    form = MidiForm(bits=bits)
    steps = lane_steps(list(zip(ticks.astype(float).tolist(), curve_db)), form)
    full, end = 2**bits - 1, int(ticks[-1])
    at = np.interp(np.arange(end + 1), ticks, curve_db)
    wanted = full * 10 ** ((at - 6) / 40)
    loose = full * 10 ** ((at[:, None] + np.array([-0.1, 0.1]) - 6) / 40) if bits == 14 else None

    def holds(first, last, value):
        for tick in range(first, last + 1):
            near = abs(value - wanted[tick]) <= 0.5 + 1e-9
            if not near and (loose is None or not loose[tick, 0] - 1e-9 <= value <= loose[tick, 1] + 1e-9):
                return False
        return True

    def held(first, last):
        near = range(int(wanted[first]) - 130, min(full, int(wanted[first]) + 131) + 1)
        return any(holds(first, last, value) for value in near)

    if not all(held(tick, tick + 1) for tick in range(end)):
        return  # at some place not even a tick is held: then the stretches are not comparable
    fewest = [math.inf] * end + [0]
    fewest[end] = 1
    for first in range(end - 1, -1, -1):
        if holds(first, end, min(full, round(wanted[end]))):
            fewest[first] = 1
            continue
        for last in range(first + 1, end + 1):
            if not held(first, last):
                break
            fewest[first] = min(fewest[first], 1 + fewest[last])
    assert len(steps) == fewest[0]


def test_the_law_the_tempo_and_the_phrases_are_in_the_file(tmp_path):
    phrases = [
        Span("p1", Kind.PHRASE, 48_000, 90_000, "élan\nvital 中"),
        Span("p2", Kind.PHRASE, 480_123, 500_000),
        Span("p3", Kind.PHRASE, 900_000, 950_000, "later"),
    ]
    form = MidiForm(7, 14, timeline=Timeline(24_000, tempo=TEMPO), channel=3, span=(0, 600_000))
    lane = Lane.from_pairs([(0, 0.0), (96_000, 2.0)])
    report = write_midi_rides(tmp_path / "x.mid", lane, -1.0, RATE_HZ, form, phrases, title="Song")
    assert report.markers_n == 2
    file = mido.MidiFile(tmp_path / "x.mid", charset="utf-8")
    assert file.type == 1
    assert [track.name for track in file.tracks] == ["Song", "Song"]
    texts = [message.text for message in file.tracks[0] if message.type == "text"]
    assert texts == [
        "Ride on controller 7, 14 bits: 16383 is +6 dB, gain = 6 + 40 log10(v / 16383) dB, 0 dB is 11598.3"
    ]
    time_s, found = 0.0, []
    for message in file:
        time_s += message.time
        if message.type == "marker":
            found.append((message.text, time_s))
        if message.type == "control_change":
            assert message.channel == 2
    assert [label for label, _ in found] == ["élan vital 中", "phrase 2"]
    assert [at_s for _, at_s in found] == pytest.approx([1.5, 504_123 / RATE_HZ], abs=0.25e-3)
    # Tempi come back as they were, to the half microsecond that the format keeps; metres exactly.
    back = read_tempo_map(tmp_path / "x.mid")
    assert [m[1:] for m in back.metres] == [m[1:] for m in TEMPO.metres]
    for ours, theirs in zip(TEMPO.tempi, back.tempi, strict=True):
        assert abs(ours.quarter_s - theirs.quarter_s) <= 0.5e-6
    assert all(abs(a - b) < 0.5e-3 for a, b in zip(TEMPO.change_times_s, back.change_times_s, strict=True))


def test_the_law_is_that_of_general_midi():
    """GM Level 1 Developer Guidelines, table of volume values (from memory): 64 is -11.9 dB, 32 -23.9, 16 -36."""
    form = MidiForm(bits=7, full_scale_db=0.0)
    for value, gain_db in [(127, 0.0), (96, -4.86), (64, -11.9), (32, -23.9), (16, -36.0)]:
        assert form.gain_db(value) == pytest.approx(gain_db, abs=0.06)
        assert form.nearest(gain_db) == value
    # Both bytes alike: the same gain for a receiver that takes the first alone; and never a whole step of it off.
    long = MidiForm(bits=14, full_scale_db=0.0)
    for msb in range(1, 128):
        assert long.gain_db(129 * msb) == pytest.approx(form.gain_db(msb), abs=1e-12)
    assert max(abs(form.value(long.gain_db(value)) - (value >> 7)) for value in range(1, 16_384)) < 1.0


def test_boosts_beyond_full_scale_are_told_and_held_there(tmp_path):
    lane = Lane.from_pairs([(0, 0.0), (96_000, 7.25), (192_000, 0.0), (240_000, -95.0)])
    report = write_midi_rides(tmp_path / "x.mid", lane, 1.0, RATE_HZ, MidiForm(bits=7))
    assert report.notices == (
        "At 2.00 s the gain is +8.25 dB, but the highest value means +6 dB and stands there instead; choose a full "
        "scale of +9 dB and set it at the receiver too.",
        "At 5.00 s the gain is -94.00 dB, but the lowest value above silence means -78.2 dB and stands there instead.",
    )
    times_s, values = read_back(tmp_path / "x.mid", 11, 7)
    assert values.max() == 127
    assert values.min() == 1
    above_s = times_s[values == 127][0], times_s[np.argmax(values == 127) + 1]
    # The lane passes +6 dB at 5 of 7.25 dB on the way up and down; half a step is 0.17 dB.
    assert above_s == pytest.approx((2 * 5 / 7.25, 4 - 2 * 5 / 7.25), abs=0.06)
    raised = write_midi_rides(tmp_path / "x.mid", lane, 1.0, RATE_HZ, MidiForm(bits=14, full_scale_db=9.0))
    assert raised.notices == ()


def test_a_lane_without_points_is_one_value(tmp_path):
    assert write_midi_rides(tmp_path / "x.mid", Lane(), -2.0, RATE_HZ).steps_n == 1
    times_s, values = read_back(tmp_path / "x.mid", 11, 14)
    assert times_s.tolist() == [0.0]
    assert 6 + 40 * np.log10(values[0] / 16383) == pytest.approx(-2.0, abs=0.003)
    write_midi_rides(tmp_path / "x.mid", Lane(), -2.0, RATE_HZ, MidiForm(with_trim=False))
    assert 6 + 40 * np.log10(read_back(tmp_path / "x.mid", 11, 14)[1][0] / 16383) == pytest.approx(0.0, abs=0.003)


def test_a_selection_begins_where_it_is(tmp_path):
    form = MidiForm(span=(72_000, 120_000), timeline=Timeline(48_000))
    write_midi_rides(tmp_path / "x.mid", Lane.from_pairs([(48_000, 0.0), (96_000, 3.0)]), 0.0, RATE_HZ, form)
    times_s, values = read_back(tmp_path / "x.mid", 11, 14)
    assert times_s[0] == pytest.approx(2.5, abs=0.5e-3)
    assert times_s[-1] <= 3.0
    assert 6 + 40 * np.log10(values[[0, -1]] / 16383) == pytest.approx([1.6, 3.0], abs=0.11)


def test_ticks_are_fine_enough_at_any_tempo():
    for bpm in (4, 20, 60, 120.5, 250, 1000):
        tempo, ticks_n = file_tempo(TempoMap.steady(bpm))
        assert tempo.tempi[0].quarter_s / ticks_n <= 0.5e-3
        assert ticks_n < 2**15
    assert file_tempo(TempoMap.steady(250))[1] == 480


def test_what_midi_does_not_have_is_refused(tmp_path):
    for wrong, said in [
        ({"controller": 1}, "controller 7"),
        ({"bits": 8}, "7 or 14 bits"),
        ({"full_scale_db": -1.0}, "from 0 to 60"),
        ({"full_scale_db": math.nan}, "from 0 to 60"),
        ({"channel": 17}, "channels 1 to 16"),
    ]:
        with pytest.raises(SettingError, match=said):
            MidiForm(**wrong)
    source = tmp_path / "vocal.wav"
    source.write_bytes(b"samples")
    with pytest.raises(OutputIsSourceError):
        write_midi_rides(source, Lane(), 0.0, RATE_HZ, protect=[source])
    assert source.read_bytes() == b"samples"


def events_by_hand(content):
    """Ticks, status and data of all events of all tracks, by Standard MIDI Files 1.0 (from memory), without mido."""
    assert content[:8] == b"MThd\0\0\0\6"
    kind, tracks_n, ticks_n = (int.from_bytes(content[i : i + 2], "big") for i in (8, 10, 12))
    at, events = 14, []

    def length():
        nonlocal at
        value = 0
        while True:
            at += 1
            value = 128 * value + content[at - 1] % 128
            if content[at - 1] < 128:
                return value

    for _ in range(tracks_n):
        assert content[at : at + 4] == b"MTrk"
        end = at + 8 + int.from_bytes(content[at + 4 : at + 8], "big")
        at, tick, status = at + 8, 0, None
        while at < end:
            tick += length()
            if content[at] == 0xFF:
                what, at = content[at + 1], at + 2
                size = length()
                events.append((tick, 0xFF00 + what, content[at : at + size]))
                at += size
                continue
            if content[at] >= 128:  # else the status before it runs on
                status, at = content[at], at + 1
            events.append((tick, status, content[at : at + 2]))
            at += 2
        assert events[-1][1] == 0xFF2F
    assert at == len(content)
    return kind, ticks_n, events


def test_the_bytes_are_those_of_the_standard(tmp_path):
    lane = Lane.from_pairs([(24_000, 0.0), (48_000, 3.0), (400_000, -2.0)])
    phrases = [Span("p1", Kind.PHRASE, 96_000, 200_000, "one")]
    form = MidiForm(11, 14, channel=16, timeline=Timeline(tempo=TempoMap.steady(100, (6, 8))))
    report = write_midi_rides(tmp_path / "x.mid", lane, 0.0, RATE_HZ, form, phrases)
    kind, ticks_n, events = events_by_hand((tmp_path / "x.mid").read_bytes())
    assert (kind, ticks_n) == (1, report.ticks_per_quarter)
    assert (0, 0xFF51, (600_000).to_bytes(3, "big")) in events
    assert (0, 0xFF58, bytes([6, 3, 24, 8])) in events
    assert [(tick, text) for tick, what, text in events if what == 0xFF06] == [(round(2 / 0.6 * ticks_n), b"one")]
    controls = [(tick, *data) for tick, status, data in events if status == 0xBF]
    assert len(controls) == 2 * report.steps_n
    for (tick, first, _), (also, second, _) in zip(controls[::2], controls[1::2]):
        assert (first, second) == (11, 43)
        assert tick == also
    times_s, values = read_back(tmp_path / "x.mid", 11, 14)
    assert [128 * msb + lsb for (_, _, msb), (_, _, lsb) in zip(controls[::2], controls[1::2])] == values.tolist()
    assert [tick * 0.6 / ticks_n for tick, _, _ in controls[::2]] == pytest.approx(times_s.tolist())
