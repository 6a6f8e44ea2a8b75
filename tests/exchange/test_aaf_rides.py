from __future__ import annotations

import os
import struct
from fractions import Fraction
from pathlib import Path
from urllib.parse import urlsplit
from urllib.request import url2pathname

import aaf2
import numpy as np
import olefile
import pytest
import soundfile
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from ridebook.audio.chunks import Marker
from ridebook.audio.stems import open_pair
from ridebook.errors import OutputError, OutputIsSourceError, SettingError
from ridebook.exchange import aaf_rides
from ridebook.exchange.aaf_rides import AMPLITUDE, LINEAR, MONO_AUDIO_GAIN, AafTrack, GainOn, aaf_tracks, write_aaf
from ridebook.exchange.outgoing import Timeline
from ridebook.exchange.timecode import TimecodeClock, TimecodeRate
from ridebook.ride.lane import Lane
from tests.exchange import aaf_stored as stored

RATE_HZ = 48_000
FRAMES_N = 2 * RATE_HZ
WITHIN_DB = 0.05
LANE = Lane.from_pairs([(3_000, 0.0), (9_000, -12.0), (9_001, 3.0), (40_000, 3.0), (70_000, -4.5), (95_000, 6.0)])


def samples(frames_n, channels_n, seed):
    return np.clip(0.3 * np.random.default_rng(seed).standard_normal((frames_n, channels_n)), -0.99, 0.99)


@pytest.fixture(scope="module")
def files(tmp_path_factory):
    """A stereo vocal of 24 bits, a float bed in mono, and a FLAC bed."""
    folder = tmp_path_factory.mktemp("aaf")
    soundfile.write(folder / "vocal.wav", samples(FRAMES_N, 2, 1), RATE_HZ, "PCM_24")
    soundfile.write(folder / "keys.wav", samples(FRAMES_N + 500, 1, 2), RATE_HZ, "FLOAT")
    soundfile.write(folder / "drums.flac", samples(FRAMES_N, 2, 3), RATE_HZ, "PCM_16")
    return folder


@pytest.fixture(scope="module")
def pair(files):
    with open_pair(files / "vocal.wav", [files / "keys.wav", files / "drums.flac"]) as opened:
        yield opened


EMBEDDED = ("drums.flac is embedded, as only WAV and RF64 files at the vocal's rate can be linked to.",)
TIMELINE = Timeline(4_800, TimecodeClock(TimecodeRate.F29_97_DROP, "01:00:00;00"))
MARKERS = [Marker(50_000, "and then", 9_000), Marker(3_000, "first line — sung", 20_000), Marker(-9_000, "before")]


@pytest.fixture(scope="module", params=[(GainOn.CLIP, False), (GainOn.TRACK, True)], ids=["clip", "track"])
def written(request, pair, tmp_path_factory):
    on, linked = request.param
    path = tmp_path_factory.mktemp("out") / "song.aaf"
    report = write_aaf(
        path, aaf_tracks(pair, LANE, 1.5), TIMELINE, gain_on=on, linked=linked, markers=MARKERS, title="A song"
    )
    with olefile.OleFileIO(path) as ole:
        yield on, linked, path, report, stored.content(ole)


def group_of(slot, on):
    segment = slot.object(stored.SEGMENT)
    return segment if on is GainOn.TRACK else segment.objects(stored.COMPONENTS)[1]


def deviation_db(times, factors, first_n, length_n, lane, seed=0):
    """How far the points, read as straight in amplitude, are from the lane at 10,000 random times."""
    at = np.random.default_rng(seed).uniform(0.0, 1.0, 10_000)
    read_db = 20.0 * np.log10(np.interp(at, times, factors))
    return np.abs(read_db - lane.gain_db_at(first_n + at * length_n)).max()


class TestReadByAnIndependentParser:
    def test_tracks_clips_and_fillers(self, written):
        on, linked, _, report, content = written
        (composition,) = stored.of_kind(content, stored.COMPOSITION)
        assert composition.text(stored.MOB_NAME) == "A song"
        slots = [slot for slot in composition.objects(stored.SLOTS) if slot.text(stored.SLOT_NAME) != "Timecode"][:-1]
        names = [slot.text(stored.SLOT_NAME) for slot in slots]
        assert names == ["vocal L", "vocal R", "keys", "drums L", "drums R"]
        assert report.tracks_n == 5
        assert [slot.number(stored.TRACK_NUMBER) for slot in slots] == [1, 2, 3, 4, 5]
        masters = {mob.raw(stored.MOB_ID): mob for mob in stored.of_kind(content, stored.MASTER)}
        for slot in slots:
            assert slot.rational(stored.EDIT_RATE) == RATE_HZ
            ridden = slot.text(stored.SLOT_NAME).startswith("vocal")
            sequence = slot.object(stored.SEGMENT)
            if ridden and on is GainOn.TRACK:
                assert sequence.kind == stored.GROUP
                (sequence,) = sequence.objects(stored.INPUTS)
            assert sequence.kind == stored.SEQUENCE
            filler, clip, *rest = sequence.objects(stored.COMPONENTS)
            assert (filler.kind, filler.number(stored.LENGTH)) == (stored.FILLER, 4_800)
            if ridden and on is GainOn.CLIP:
                assert clip.kind == stored.GROUP
                (clip,) = clip.objects(stored.INPUTS)
            length_n = FRAMES_N + 500 * (slot.text(stored.SLOT_NAME) == "keys")
            assert (clip.kind, clip.number(stored.LENGTH), clip.number(stored.START_TIME)) == (stored.CLIP, length_n, 0)
            assert [part.number(stored.LENGTH) for part in rest] == [500] * (length_n == FRAMES_N)
            # The clip leads to the sound of its own channel.
            master = masters[clip.raw(stored.SOURCE_ID)]
            inner = master.objects(stored.SLOTS)[clip.number(stored.SOURCE_SLOT) - 1].object(stored.SEGMENT)
            sources = {mob.raw(stored.MOB_ID): mob for mob in stored.of_kind(content, stored.SOURCE)}
            source = sources[inner.raw(stored.SOURCE_ID)]
            channel = "LR".find(names[slot.number(stored.TRACK_NUMBER) - 1][-1])
            if linked and "drums" not in slot.text(stored.SLOT_NAME):
                assert inner.number(stored.SOURCE_SLOT) == max(channel, 0) + 1
            else:
                assert source.text(stored.MOB_NAME) == slot.text(stored.SLOT_NAME)

    def test_the_ride(self, written):
        on, _, _, report, content = written
        (composition,) = stored.of_kind(content, stored.COMPOSITION)
        for slot in composition.objects(stored.SLOTS)[:2]:
            group = group_of(slot, on)
            assert group.auid(stored.OPERATION) == MONO_AUDIO_GAIN
            (value,) = group.objects(stored.PARAMETERS)
            assert (value.auid(stored.PARAMETER), value.auid(stored.INTERPOLATION)) == (AMPLITUDE, LINEAR)
            times, factors = stored.gain_points(group)
            assert (times[0], times[-1], len(times)) == (0.0, 1.0, report.points_n)
            assert (np.diff(times) > 0).all()
            length_n = group.number(stored.LENGTH)
            first_n = 0 if on is GainOn.CLIP else -4_800
            assert length_n == (FRAMES_N if on is GainOn.CLIP else FRAMES_N + 500 + 4_800)
            with_trim = Lane.from_pairs((n, gain_db + 1.5) for n, gain_db in LANE.points)
            assert deviation_db(times, factors, first_n, length_n, with_trim) < WITHIN_DB
            # Read as straight in dB the points lie on the lane itself.
            at_n = first_n + times * length_n
            assert np.abs(20.0 * np.log10(factors) - with_trim.gain_db_at(at_n)).max() < 1e-4

    def test_timecode_and_markers(self, written):
        content = written[-1]
        (composition,) = stored.of_kind(content, stored.COMPOSITION)
        *_, timecode, events = composition.objects(stored.SLOTS)
        assert timecode.rational(stored.EDIT_RATE) == Fraction(30_000, 1_001)
        segment = timecode.object(stored.SEGMENT)
        assert segment.kind == stored.TIMECODE
        # An hour of drop-frame counting is 30 * 3600 numbers less 108.
        assert segment.number(stored.TC_START) == 107_892
        assert (segment.number(stored.TC_FPS), segment.number(stored.TC_DROP)) == (30, 1)
        found = events.object(stored.SEGMENT).objects(stored.COMPONENTS)
        assert [(mark.kind, mark.number(stored.POSITION), mark.text(stored.COMMENT)) for mark in found] == [
            (stored.MARKER, 7_800, "first line — sung"),
            (stored.MARKER, 54_800, "and then"),
        ]
        assert [mark.number(stored.LENGTH) for mark in found] == [20_000, 9_000]

    def test_embedded_samples_are_those_of_the_files(self, written, files):
        _, linked, _, report, content = written
        names = {mob.raw(stored.MOB_ID): mob.text(stored.MOB_NAME) for mob in stored.of_kind(content, stored.SOURCE)}
        essences = content.objects(stored.ESSENCES)
        sounds = {names[one.raw(stored.ESSENCE_MOB)]: one.stream(stored.ESSENCE_DATA) for one in essences}
        expected = {"drums L", "drums R"} if linked else {"vocal L", "vocal R", "keys", "drums L", "drums R"}
        assert set(sounds) == expected
        assert report.notices == (EMBEDDED if linked else ())
        for name, data in sounds.items():
            triples = np.frombuffer(data, np.uint8).reshape(-1, 3).astype(np.int32)
            found = (triples[:, 0] | triples[:, 1] << 8 | triples[:, 2] << 16) << 8 >> 8
            stem, _, channel = name.partition(" ")
            path = next(files.glob(f"{stem}.*"))
            exact = soundfile.read(path, always_2d=True)[0][:, "LR".index(channel) if channel else 0] * 2.0**23
            # The float bed is rounded with dither, the others pass.
            assert np.abs(found - exact).max() <= (1.5 if stem == "keys" else 0.0)

    def test_links_lead_to_the_files(self, written, files):
        _, linked, _, _, content = written
        if not linked:
            described = [mob.object(stored.DESCRIPTION) for mob in stored.of_kind(content, stored.SOURCE)]
            assert all((one.number(stored.CHANNELS), one.number(stored.BITS)) == (1, 24) for one in described)
            assert not any(stored.LOCATORS in one for one in described)
            return
        led_to = []
        for mob in stored.of_kind(content, stored.SOURCE):
            described = mob.object(stored.DESCRIPTION)
            if stored.LOCATORS not in described:
                continue
            (locator,) = described.objects(stored.LOCATORS)
            path = Path(url2pathname(urlsplit(locator.text(stored.URL)).path))
            led_to.append(path.name)
            assert path.samefile(files / path.name)
            head = described.raw(stored.SUMMARY)
            info = soundfile.info(path)
            frame_bytes_n = info.channels * (3 if info.subtype == "PCM_24" else 4)
            samples_n = struct.pack("<I", frame_bytes_n * info.frames)
            assert (head[:4], head[8:16], head[-8:-4], head[-4:]) == (b"RIFF", b"WAVEfmt ", b"data", samples_n)
            assert head[12:-8] in path.read_bytes()
            numbers = [slot.number(stored.TRACK_NUMBER) for slot in mob.objects(stored.SLOTS)]
            assert numbers == list(range(1, info.channels + 1))
        assert led_to == ["vocal.wav", "keys.wav"]


def test_read_back_by_pyaaf2(written):
    on, _, path, _, _ = written
    with aaf2.open(str(path)) as file:
        (composition,) = file.content.toplevel()
        segment = next(iter(composition.slots)).segment
        group = segment if on is GainOn.TRACK else segment.components[1]
        (value,) = group.parameters
        first_n = 0 if on is GainOn.CLIP else -4_800
        points = [(point.time, point.value) for point in value.pointlist]
        with_trim = Lane.from_pairs((n, gain_db + 1.5) for n, gain_db in LANE.points)
        assert deviation_db(*zip(*points, strict=True), first_n, group.length, with_trim) < WITHIN_DB
        # Its own way to read between points, which is slow.
        at = np.random.default_rng(4).uniform(0.0, 1.0, 100)
        read_db = 20.0 * np.log10([value.value_at(part) for part in at])
        assert np.abs(read_db - with_trim.gain_db_at(first_n + at * group.length)).max() < WITHIN_DB


@pytest.fixture(scope="module")
def short_pair(tmp_path_factory):
    folder = tmp_path_factory.mktemp("short")
    for name in ("vocal", "bed"):
        soundfile.write(folder / f"{name}.wav", samples(RATE_HZ // 2, 1, 5), RATE_HZ, "PCM_24")
    with open_pair(folder / "vocal.wav", [folder / "bed.wav"]) as opened:
        yield opened


random_lanes = st.lists(
    st.tuples(st.integers(-5_000, RATE_HZ), st.floats(-15.0, 9.0)),
    min_size=1,
    max_size=8,
    unique_by=lambda pair: pair[0],
).map(lambda pairs: Lane.from_pairs(sorted(pairs)))
timelines = st.integers(-20_000, 20_000).map(Timeline)


def check_points(lane, times, factors, first_n, length_n):
    """At 10,000 random frames: nothing can be added within a frame, and no sample lies there."""
    at_n = first_n + np.random.default_rng(6).integers(0, length_n, 10_000)
    read_db = 20.0 * np.log10(np.interp((at_n - first_n) / length_n, times, factors))
    assert np.abs(read_db - lane.gain_db_at(at_n)).max() < WITHIN_DB


@settings(max_examples=2, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(st.lists(random_lanes, min_size=6, max_size=6), st.sampled_from(list(GainOn)), timelines)
def test_random_lanes_come_back_within_005_db(short_pair, tmp_path_factory, lanes, on, timeline):
    path = tmp_path_factory.getbasetemp() / "random.aaf"
    write_aaf(path, [AafTrack(short_pair.vocal, lane) for lane in lanes], timeline, gain_on=on, linked=True)
    first_n = max(-timeline.offset_n, 0) if on is GainOn.CLIP else -timeline.offset_n
    with olefile.OleFileIO(path) as ole:
        (composition,) = stored.of_kind(stored.content(ole), stored.COMPOSITION)
        for lane, slot in zip(lanes, composition.objects(stored.SLOTS), strict=False):
            segment = slot.object(stored.SEGMENT)
            parts = [segment] if on is GainOn.TRACK else segment.objects(stored.COMPONENTS)
            (group,) = (part for part in parts if part.kind == stored.GROUP)
            check_points(lane, *stored.gain_points(group), first_n, group.number(stored.LENGTH))


@settings(max_examples=40, deadline=None)
@given(random_lanes, st.sampled_from(list(GainOn)), timelines)
def test_points_of_random_lanes(short_pair, lane, on, timeline):
    track = AafTrack(short_pair.vocal, lane)
    layout = aaf_rides._Layout([track], timeline)
    points = layout.points(track, on)
    at_n, length_n = layout.group(short_pair.vocal, on)
    times, factors = (np.array([n / d for n, d in numbers]) for numbers in zip(*points, strict=True))
    assert all(0 <= n < 2**31 and d < 2**31 for point in points for n, d in point)
    check_points(lane, times, factors, at_n - timeline.offset_n, length_n)


def test_time_of_a_point_past_31_bits():
    assert aaf_rides._part(3, 4) == (3, 4)
    n, d = aaf_rides._part(2**33, 2**34)
    assert abs(n / d - 0.5) < 1e-9
    assert aaf_rides._part(2**34, 2**34) == (2**31 - 1, 2**31 - 1)


def test_a_clip_that_begins_before_the_timeline_is_cut(short_pair, tmp_path):
    write_aaf(tmp_path / "a.aaf", aaf_tracks(short_pair, Lane()), Timeline(-1_000), linked=True)
    with olefile.OleFileIO(tmp_path / "a.aaf") as ole:
        (composition,) = stored.of_kind(stored.content(ole), stored.COMPOSITION)
        group, *rest = composition.objects(stored.SLOTS)[0].object(stored.SEGMENT).objects(stored.COMPONENTS)
        (clip,) = group.objects(stored.INPUTS)
        assert (clip.number(stored.START_TIME), clip.number(stored.LENGTH), rest) == (1_000, RATE_HZ // 2 - 1_000, [])
        times, factors = stored.gain_points(group)
        assert (times.tolist(), factors.tolist()) == ([0.0, 1.0], [1.0, 1.0])


def test_samples_over_full_scale_are_told(tmp_path):
    loud = samples(RATE_HZ // 2, 1, 7)
    loud[100:104] = 1.5
    soundfile.write(tmp_path / "loud.wav", loud, RATE_HZ, "FLOAT")
    soundfile.write(tmp_path / "bed.wav", samples(RATE_HZ // 2, 1, 8), RATE_HZ, "PCM_24")
    with open_pair(tmp_path / "loud.wav", [tmp_path / "bed.wav"]) as pair:
        report = write_aaf(tmp_path / "a.aaf", aaf_tracks(pair, Lane()))
    assert report.notices == ("loud.wav goes over full scale, which 24-bit samples cannot: 4 are cut off.",)


class TestNothingIsLeft:
    @pytest.fixture
    def target(self, tmp_path):
        path = tmp_path / "song.aaf"
        path.write_text("the one before")
        yield path
        assert path.read_text() == "the one before"
        assert os.listdir(tmp_path) == ["song.aaf"]

    def test_when_cancelled(self, short_pair, target):
        told = []
        tracks = aaf_tracks(short_pair, LANE)
        assert write_aaf(target, tracks, progress=told.append, cancelled=lambda: bool(told)) is None
        assert told == [0.5]

    def test_when_a_callback_raises(self, short_pair, target):
        def fail(_):
            raise RuntimeError("stop here")

        with pytest.raises(RuntimeError, match="stop here"):
            write_aaf(target, aaf_tracks(short_pair, LANE), progress=fail)

    def test_when_the_disk_is_full(self, short_pair, target):
        resource = pytest.importorskip("resource", reason="limits of file size are set by POSIX systems alone")
        limits = resource.getrlimit(resource.RLIMIT_FSIZE)
        resource.setrlimit(resource.RLIMIT_FSIZE, (100_000, limits[1]))
        try:
            with pytest.raises(OutputError, match=r"song\.aaf cannot be written"):
                write_aaf(target, aaf_tracks(short_pair, LANE))
        finally:
            resource.setrlimit(resource.RLIMIT_FSIZE, limits)

    @pytest.mark.parametrize(
        ("options", "message"),
        [
            ({"timeline": Timeline(-RATE_HZ)}, "lies before the timeline's zero"),
            ({"timeline": Timeline(0, TimecodeClock(start="00:00:00:00.5"))}, "AAF counts whole ones"),
            ({"tracks": []}, "no stem"),
        ],
    )
    def test_when_it_cannot_be(self, short_pair, target, options, message):
        with pytest.raises(SettingError, match=message):
            write_aaf(target, **{"tracks": aaf_tracks(short_pair, LANE), **options})

    def test_when_the_gain_is_too_high(self, short_pair, target):
        with pytest.raises(SettingError, match=r"the gain rises to 70\.0 dB"):
            write_aaf(target, aaf_tracks(short_pair, Lane.from_pairs([(0, 10.0)]), 60.0))


def test_no_output_is_a_source(short_pair, tmp_path):
    with pytest.raises(OutputIsSourceError):
        write_aaf(short_pair.vocal.path, aaf_tracks(short_pair, LANE))
    with pytest.raises(OutputError, match="there is no folder"):
        write_aaf(tmp_path / "no" / "a.aaf", aaf_tracks(short_pair, LANE))


def test_names_of_any_letters(short_pair, tmp_path):
    labels = ["\U0001f3a4 höher", "no \udcff letter", "a\0b"]
    write_aaf(
        tmp_path / "a.aaf",
        aaf_tracks(short_pair, LANE),
        linked=True,
        markers=[Marker(i, label) for i, label in enumerate(labels)],
        title="歌",
    )
    with olefile.OleFileIO(tmp_path / "a.aaf") as ole:
        (composition,) = stored.of_kind(stored.content(ole), stored.COMPOSITION)
        assert composition.text(stored.MOB_NAME) == "歌"
        events = composition.objects(stored.SLOTS)[-1].object(stored.SEGMENT).objects(stored.COMPONENTS)
        assert [mark.text(stored.COMMENT) for mark in events] == ["\U0001f3a4 höher", "no ? letter", "ab"]


def test_gains_up_to_66_db_hold(short_pair, tmp_path):
    lane = Lane.from_pairs([(0, 60.0), (20_000, -60.0)])
    write_aaf(tmp_path / "a.aaf", [AafTrack(short_pair.vocal, lane)], linked=True)
    with olefile.OleFileIO(tmp_path / "a.aaf") as ole:
        (composition,) = stored.of_kind(stored.content(ole), stored.COMPOSITION)
        (group,) = composition.objects(stored.SLOTS)[0].object(stored.SEGMENT).objects(stored.COMPONENTS)
        times, factors = stored.gain_points(group)
    assert deviation_db(times, factors, 0, RATE_HZ // 2, lane) < WITHIN_DB
