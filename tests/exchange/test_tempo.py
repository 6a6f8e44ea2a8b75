"""Tempo maps, held against mido's own clock and against bars counted one by one."""

from __future__ import annotations

import io
import re
from fractions import Fraction

import mido
import pytest
from hypothesis import given
from hypothesis import settings as runs
from hypothesis import strategies as st

from ridebook.errors import ExchangeError, SettingError
from ridebook.exchange.tempo import Metre, Tempo, TempoChange, TempoMap, read_tempo_map

METRES = [(4, 4), (3, 4), (6, 8), (7, 8), (5, 16), (2, 2), (12, 8)]


def midi_bytes(*tracks, ticks=480, kind=1):
    file = mido.MidiFile(type=kind, ticks_per_beat=ticks)
    for events in tracks:
        track, before = mido.MidiTrack(), 0
        for tick, event in sorted(events, key=lambda pair: pair[0]):
            track.append(event.copy(time=tick - before))
            before = tick
        file.tracks.append(track)
    stream = io.BytesIO()
    file.save(file=stream)
    return stream.getvalue()


def tempo_event(tempo):
    return mido.MetaMessage("set_tempo", tempo=tempo)


def metre_event(beats, note):
    return mido.MetaMessage("time_signature", numerator=beats, denominator=note)


def written(folder, content):
    path = folder / "tempo.mid"
    path.write_bytes(content)
    return path


@given(
    tempi=st.dictionaries(st.integers(0, 100_000), st.integers(60_000, 15_000_000), max_size=6),
    at=st.lists(st.integers(0, 200_000), min_size=1, max_size=8),
    ticks=st.sampled_from([24, 96, 480, 960, 15360]),
)
@runs(max_examples=60, deadline=None)
def test_a_midi_file_gives_the_times_that_mido_gives(tmp_path_factory, tempi, at, ticks):
    notes = [(tick, mido.Message("note_on", note=60)) for tick in sorted(at)]
    content = midi_bytes([(tick, tempo_event(tempo)) for tick, tempo in tempi.items()], notes, ticks=ticks)
    tempo = read_tempo_map(written(tmp_path_factory.mktemp("tempo"), content))
    time_s, times_s = 0.0, []
    for message in mido.MidiFile(file=io.BytesIO(content)):
        time_s += message.time
        if message.type == "note_on":
            times_s.append(time_s)
    assert [float(tempo.time_s_at(Fraction(tick, ticks))) for tick, _ in notes] == pytest.approx(times_s, abs=1e-8)
    for tick, _ in notes:
        assert tempo.quarter_at(tempo.time_s_at(Fraction(tick, ticks))) == Fraction(tick, ticks)


@given(
    metres=st.lists(st.tuples(st.integers(1, 40), st.sampled_from(METRES)), max_size=4),
    rest=st.fractions(0, 80, max_denominator=10_000),
)
@runs(max_examples=60, deadline=None)
def test_bars_are_those_that_are_counted_one_by_one(metres, rest):
    """Every metre begins a new bar, wherever it comes, as a time signature does in a Standard MIDI File."""
    changes, quarter = [(Fraction(0), (4, 4))], Fraction(0)
    for eighths, figures in metres:
        quarter += Fraction(eighths, 2)
        changes.append((quarter, figures))
    tempo = TempoMap(
        (Tempo(Fraction(0), Fraction(1, 2)),), tuple(Metre(quarter, *figures) for quarter, figures in changes)
    )
    # Walk beat by beat up to the position.
    bar, beat, at, figures = 0, 0, Fraction(0), (4, 4)
    pending = dict(changes)
    while True:
        if at in pending:
            figures, bar, beat = pending.pop(at), bar + 1, 1
        following = min([at + Fraction(4, figures[1]), *pending])
        if following > rest:
            break
        if following not in pending:
            bar, beat = (bar, beat + 1) if beat < figures[0] else (bar + 1, 1)
        at = following
    found = tempo.bar_at(rest)
    assert found == (bar, beat, rest - at)
    assert tempo.quarter_of(*found) == rest
    assert abs(tempo.quarter_of_text(tempo.bar_text(rest)) - rest) <= Fraction(1, 2 * 960 * 10**6)


def test_positions_are_written_as_bar_beat_and_tick():
    tempo = TempoMap.from_changes(
        [TempoChange(120, bar=1, metre=(6, 8)), TempoChange(bar=3, metre=(3, 4)), TempoChange(60, bar=5)]
    )
    assert tempo.bar_text(0) == "1|1|0.000000"
    assert tempo.bar_text(Fraction(11, 4), 0) == "1|6|240"
    assert tempo.bar_text(6, 0) == "3|1|0"
    assert tempo.bar_text(Fraction(599999999999, 10**11)) == "3|1|0.000000"  # rounded up, over the bar
    assert tempo.time_s_at(tempo.quarter_of(5)) == 6
    assert tempo.time_s_at(tempo.quarter_of(5, 2)) == 7
    assert tempo.quarter_of_text("3|3|959,5") == 8 + Fraction(9595, 9600)
    assert tempo.change_times_s == (0, 6)


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("3.1.0", "no position in bars"),
        ("", "no position in bars"),
        ("0|1|0", "from 1"),
        ("1|0|0", "no beat 0"),
        ("1|7|0", "no beat 7"),
        ("1|1|480", "no beat 1 with 0.5"),
        ("3|6|0", "no beat 6"),  # the next metre cuts the bar off after five
    ],
)
def test_places_that_there_are_not_say_so(text, said):
    tempo = TempoMap(
        (Tempo(Fraction(0), Fraction(1, 2)),),
        (Metre(Fraction(0), 6, 8), Metre(Fraction(17, 2), 4, 4)),
    )
    assert tempo.quarter_of_text("3|5|479") < Fraction(17, 2)
    assert tempo.quarter_of_text("4|4|0") == Fraction(23, 2)
    with pytest.raises(SettingError, match=said):
        tempo.quarter_of_text(text)


def test_a_list_is_by_bars_or_times(tmp_path):
    path = tmp_path / "tempo.csv"
    path.write_text("bar,bpm,metre\n1,120,3/4\n5,,4/4\n9,90.5\n")
    by_bar = read_tempo_map(path)
    assert by_bar.metres == (Metre(Fraction(0), 3, 4), Metre(Fraction(12), 4, 4))
    assert by_bar.tempi == (Tempo(Fraction(0), Fraction(1, 2)), Tempo(Fraction(28), Fraction(600, 905)))
    path.write_bytes("\ufefftime_s;bpm;metre\r\n0;120;3/4\r\n6,0;;4/4\r\n\r\n14;90,5;\r\n".encode())
    assert read_tempo_map(path) == by_bar
    assert TempoMap.from_changes([TempoChange(120.1, bar=1)]).tempi[0].quarter_s == Fraction(600, 1201)
    assert TempoMap.steady(60, (7, 8)).bar_at(Fraction(7, 2)) == (2, 1, 0)


def test_many_odd_tempi_stay_exact_to_far_under_a_sample():
    bpms = [Fraction(60_000 + 7 * i, 997) for i in range(2000)]
    tempo = TempoMap.from_changes([TempoChange(bpm, bar=i + 1) for i, bpm in enumerate(bpms)])
    expected_s = sum((240 / bpm for bpm in bpms[:-1]), Fraction(0))
    assert abs(tempo.change_times_s[-1] - expected_s) < Fraction(1, 10**12)
    assert tempo.quarter_at(tempo.time_s_at(Fraction(12345, 7))) == pytest.approx(Fraction(12345, 7), abs=1e-15)


def test_metre_and_tempo_of_all_tracks_count_and_the_later_of_two(tmp_path):
    content = midi_bytes(
        [(0, tempo_event(400_000)), (960, metre_event(3, 4))],
        [(480, tempo_event(600_000)), (480, tempo_event(700_000))],
    )
    tempo = read_tempo_map(written(tmp_path, content))
    assert tempo.tempi == (Tempo(Fraction(0), Fraction(2, 5)), Tempo(Fraction(1), Fraction(7, 10)))
    assert tempo.metres == (Metre(Fraction(0), 4, 4), Metre(Fraction(2), 3, 4))
    assert tempo.bar_at(2) == (2, 1, 0)


WHOLE = midi_bytes([(0, tempo_event(500_000)), (480, metre_event(3, 4))])


def test_broken_midi_files_are_refused_with_a_sentence(tmp_path):
    """Cut off at any byte, and with any byte turned: a map or an error of the house, and nothing else."""
    refused = 0
    for cut in range(len(WHOLE)):
        with pytest.raises(ExchangeError, match="neither" if cut < 4 else "broken") as caught:
            read_tempo_map(written(tmp_path, WHOLE[:cut]))
        assert "tempo.mid" in str(caught.value)
    for at in range(len(WHOLE)):
        for turned in (0x00, 0x7F, 0xFF, WHOLE[at] ^ 0x01):
            try:
                read_tempo_map(written(tmp_path, WHOLE[:at] + bytes([turned]) + WHOLE[at + 1 :]))
            except ExchangeError:
                refused += 1
    assert refused > 50


@pytest.mark.parametrize(
    ("content", "said"),
    [
        (b"", "neither a Standard MIDI File nor a list"),
        (b"time,tempo\n0,120\n", "neither a Standard MIDI File nor a list"),
        (b"bar,bpm,measure\n1,120,3/4\n", "neither a Standard MIDI File nor a list"),
        (bytes(range(128, 255)), "neither a Standard MIDI File nor UTF-8"),
        (b"bar,bpm\n", "needs one at least"),
        (b"bar,bpm\n2,120\n", "tempo at bar 1"),
        (b"bar,bpm,metre\n1,,3/4\n", "tempo at bar 1"),
        (b"time_s,bpm\n0.5,120\n", "tempo at bar 1 or 0 s"),
        (b"bar,bpm\n1,120\n1,90\n", "after the one before"),
        (b"bar,bpm\n1,120\n1.5,90\n", "line 3: bar is '1.5'"),
        (b"bar,bpm\n1,fast\n", "line 2: bpm is 'fast'"),
        (b"bar,bpm\n1,0\n", "a tempo of 0 cannot be"),
        (b"bar,bpm\n1,1e3\n", "bpm is '1e3'"),
        (b"bar,bpm,metre\n1,120,waltz\n", "metre is 'waltz'"),
        (b"bar,bpm,metre\n1,120,4/5\n", "a metre of 4/5"),
        (b"bar,bpm,metre\n1,120,0/4\n", "a metre of 0/4"),
        (midi_bytes([(0, tempo_event(0))]), "endless"),
        (midi_bytes([(0, tempo_event(2**24 - 1))]), "a tempo of 3.57628 cannot be"),
        (midi_bytes([(0, tempo_event(1))]), "a tempo of 6e\\+07 cannot be"),
        (midi_bytes([(0, metre_event(0, 4))]), "a metre of 0/4"),
        (midi_bytes([], kind=2), "no common time"),
        (WHOLE[:12] + b"\xe7\x28" + WHOLE[14:], "timecode"),
        (WHOLE[:12] + b"\x00\x00" + WHOLE[14:], "timecode"),
    ],
)
def test_what_holds_no_tempo_says_why(tmp_path, content, said):
    path = written(tmp_path, content)
    with pytest.raises(ExchangeError, match=said) as caught:
        read_tempo_map(path)
    assert str(path) in str(caught.value)


def test_files_that_are_not_there_or_too_large(tmp_path):
    with pytest.raises(ExchangeError, match=re.escape("none.mid cannot be read")):
        read_tempo_map(tmp_path / "none.mid")
    with pytest.raises(ExchangeError, match="over 16 MB"):
        read_tempo_map(written(tmp_path, b"MThd" + bytes(16_000_001)))


def test_maps_must_begin_and_rise():
    half = Fraction(1, 2)
    for tempi in ((), (Tempo(half, half),), (Tempo(Fraction(0), half), Tempo(Fraction(0), half))):
        with pytest.raises(SettingError, match="tempo"):
            TempoMap(tempi)
    with pytest.raises(SettingError, match="not both"):
        TempoMap.from_changes([TempoChange(120, bar=1, time_s=0)])
    with pytest.raises(SettingError, match="before the first"):
        TempoMap.steady(120).bar_at(-1)
