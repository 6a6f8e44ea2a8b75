from __future__ import annotations

import json
import math
import os
import shutil
import struct
import subprocess

import numpy as np
import pytest
import soundfile
from hypothesis import given, settings
from hypothesis import strategies as st
from wavinfo import WavInfoReader

from ridebook.audio import chunks, render
from ridebook.audio.broadcast import Broadcast, BroadcastLoudness, coding_line
from ridebook.audio.chunks import CuePoint, Extras, Marker, lay_chunks, read_extras, wave_chunks, wave_head
from ridebook.audio.files import Layout, read_info
from ridebook.audio.gain import GainCurve
from ridebook.audio.render import MixVersion, render_mixes, render_stem
from ridebook.audio.stems import open_pair
from ridebook.errors import OutputError
from tests.renders import render_mix

RATE_HZ = 48_000
FLAT = GainCurve(np.array([], dtype=np.int64), np.array([]))
REFERENCE_N = 2**32 + 5_000_000_000 % 2**31  # more than 32 bits hold
IXML = b"<BWFXML><IXML_VERSION>1.5</IXML_VERSION><SPEED><AUDIO_BIT_DEPTH>16</AUDIO_BIT_DEPTH></SPEED></BWFXML>"


def chunk(name, data):
    return name + struct.pack("<I", len(data)) + data + b"\0" * (len(data) % 2)


def bext(reference_n=REFERENCE_N):
    """Fields by EBU Tech 3285 v2, clause 2.3, with a UMID and loudness figures that hold for it alone."""
    texts = (b"take 7, d\xe9j\xe0", 256), (b"A desk", 32), (b"XX123", 32), (b"2024-02-29", 10), (b"10:11:12", 8)
    head = b"".join(text.ljust(width, b"\0") for text, width in texts)
    figures = struct.pack("<5h", -2300, 500, -100, -1800, -2000)
    return (
        head
        + struct.pack("<QH", reference_n, 2)
        + b"\x06" * 64
        + figures
        + bytes(180)
        + b"A=PCM,F=48000,W=16,M=mono\r\n"
    )


def cue(*frames):
    points = (struct.pack("<II4sIII", n, frame, b"data", 0, 0, frame) for n, frame in frames)
    return struct.pack("<I", len(frames)) + b"".join(points)


ADTL = (
    b"adtl"
    + chunk(b"labl", struct.pack("<I", 3) + b"verse\0")
    + chunk(b"ltxt", struct.pack("<II4s4H", 3, 4_000, b"rgn ", 0, 0, 0, 0))
    + chunk(b"note", struct.pack("<I", 9) + b"breath here\0")
)
OTHERS = [
    (b"iXML", IXML),
    (b"axml", b"<ebuCoreMain/>"),
    (b"LIST", b"INFO" + chunk(b"IART", b"A singer\0")),
    (b"abcd", b"odd"),
]


def write_source(path, samples, extra_chunks, rf64=False):
    """A 16-bit file made of bytes; half of the chunks stand before the samples."""
    channels_n = samples.shape[1]
    data = np.round(samples * 32767).astype("<i2").tobytes()
    fmt = struct.pack("<HHIIHH", 1, channels_n, RATE_HZ, RATE_HZ * channels_n * 2, channels_n * 2, 16)
    middle = len(extra_chunks) // 2
    body = chunk(b"fmt ", fmt) + b"".join(chunk(*extra) for extra in extra_chunks[:middle])
    body += b"data" + struct.pack("<I", 0xFFFFFFFF if rf64 else len(data)) + data
    body += b"".join(chunk(*extra) for extra in extra_chunks[middle:])
    if rf64:
        body = chunk(b"ds64", struct.pack("<QQQI", 4 + 36 + len(body), len(data), len(samples), 0)) + body
        path.write_bytes(b"RF64\xff\xff\xff\xffWAVE" + body)
    else:
        path.write_bytes(b"RIFF" + struct.pack("<I", 4 + len(body)) + b"WAVE" + body)
    return path


@pytest.fixture
def source(tmp_path, noise):
    extras = [
        (b"bext", bext()),
        *OTHERS,
        (b"JUNK", bytes(40)),
        (b"PEAK", bytes(16)),
        (b"cue ", cue((3, 900), (9, 70_000))),
    ]
    return write_source(tmp_path / "vocal.wav", noise(2 * RATE_HZ), [*extras, (b"LIST", ADTL)])


def found(path):
    """All chunks but format, samples and fillers, read by an own walk over the bytes of a RIFF or RF64 file."""
    data = path.read_bytes()
    at, out, sizes_n = 12, {}, {}
    while at < len(data):
        name, size_n = data[at : at + 4], struct.unpack_from("<I", data, at + 4)[0]
        if name == b"ds64":
            riff_n, sizes_n[b"data"] = struct.unpack_from("<QQ", data, at + 8)
            assert riff_n == len(data) - 8
        size_n = sizes_n.get(name, size_n)
        content = data[at + 8 : at + 8 + size_n]
        assert len(content) == size_n
        if name not in (b"fmt ", b"data", b"JUNK", b"fact", b"PEAK", b"ds64"):
            out[name + (content[:4] if name == b"LIST" else b"")] = content
        at += 8 + size_n + size_n % 2
    if data[:4] == b"RIFF":
        assert struct.unpack_from("<I", data, 4)[0] == len(data) - 8
    return out


def samples_of(path):
    return soundfile.read(path, dtype="int32", always_2d=True)[0]


def probed(path):
    if shutil.which("ffprobe") is None:
        pytest.skip("ffprobe is not installed; the reading by wavinfo stands")
    command = ["ffprobe", "-v", "error", "-show_format", "-show_chapters", "-of", "json", str(path)]
    return json.loads(subprocess.run(command, check=True, capture_output=True).stdout)


class TestFields:
    FIELDS = Broadcast(
        description="Lead vocal, ridden",
        originator="Ridebook",
        originator_reference="R7",
        origination_date="2026-01-02",
        origination_time="03:04:05",
        time_reference_n=REFERENCE_N,
        coding_history=coding_line(48_000, 24, 1, "ride"),
        loudness=BroadcastLoudness(-23.456, 5.0, -1.004, math.nan, math.inf),
    )

    def test_each_is_where_another_reader_looks_for_it(self, tmp_path, noise):
        path = write_source(tmp_path / "a.wav", noise(RATE_HZ), [(b"bext", self.FIELDS.to_bytes())])
        read = WavInfoReader(path).bext
        assert (read.description, read.originator, read.originator_ref) == ("Lead vocal, ridden", "Ridebook", "R7")
        assert (read.originator_date, read.originator_time, read.version) == ("2026-01-02", "03:04:05", 2)
        assert read.time_reference == REFERENCE_N
        assert read.coding_history == "A=PCM,F=48000,W=24,M=mono,T=ride\r\n"
        assert (read.loudness_value, read.loudness_range, read.max_true_peak) == (-23.46, 5.0, -1.0)
        # Tech 3285 v2: 7FFFh says that a figure is not there.
        assert read.max_momentary_loudness == read.max_shortterm_loudness == 327.67

    @settings(max_examples=50, deadline=None)
    @given(st.text(max_size=300), st.integers(0, 2**64 - 1), st.text(max_size=50))
    def test_what_is_written_is_read_again(self, description, reference_n, history):
        once = Broadcast.from_bytes(
            Broadcast(description, time_reference_n=reference_n, coding_history=history).to_bytes()
        )
        assert once.time_reference_n == reference_n
        assert len(once.description) <= 256
        assert Broadcast.from_bytes(once.to_bytes()) == once
        if description.isascii() and len(description) <= 256 and "\0" not in description:
            assert once.description == description

    def test_letters_that_are_not_ascii(self):
        assert Broadcast.from_bytes(Broadcast("Déjà vu 歌").to_bytes()).description == "Deja vu ?"
        kept = Broadcast.from_bytes(bext()).to_bytes()
        assert kept.startswith(b"take 7, d\xe9j\xe0\0")

    def test_a_chunk_that_breaks_off_gives_what_is_there(self):
        assert Broadcast.from_bytes(b"a take").description == "a take"
        assert Broadcast.from_bytes(bext()[:346]).time_reference_n == REFERENCE_N

    def test_more_than_two_channels_have_no_word(self):
        assert coding_line(48_000, 24, 6, "ride") == "A=PCM,F=48000,W=24,T=ride\r\n"


class TestReading:
    @pytest.mark.parametrize("rf64", [False, True])
    def test_all_but_what_belongs_to_the_samples(self, tmp_path, noise, rf64):
        extra = [(b"bext", bext()), *OTHERS[:3], (b"PEAK", bytes(16)), (b"cue ", cue((3, 900))), (b"LIST", ADTL)]
        extras = read_extras(write_source(tmp_path / "a.wav", noise(RATE_HZ), extra, rf64))
        assert extras.broadcast.time_reference_n == REFERENCE_N
        assert extras.broadcast.description == "take 7, d\udce9j\udce0"
        assert extras.others == tuple(OTHERS[:3])
        assert extras.markers == (Marker(900, "verse", 4_000),)
        assert [name for name, _ in extras.notes] == [b"labl", b"ltxt", b"note"]

    @pytest.mark.parametrize("kind", ["RIFF", "RF64", "W64"])
    def test_broadcast_fields_in_each_kind_of_wave_file(self, tmp_path, noise, wave_file, kind):
        path = wave_file(tmp_path / "a.wav", noise(RATE_HZ), time_reference_n=123_456, kind=kind)
        extras = read_extras(path)
        assert (extras.broadcast.time_reference_n, extras.broadcast.originator) == (123_456, "a desk")
        assert [name for name, _ in extras.others] == ([] if kind == "W64" else [b"odd "])

    def test_bytes_after_the_last_chunk_are_none(self, source):
        before = read_extras(source)
        with source.open("ab") as file:
            file.write(b"\x00\x01\x02\x03\x02\x00\x00\x00ab")
        assert read_extras(source) == before

    def test_markers_of_an_aiff_file(self, tmp_path, noise):
        path = tmp_path / "a.aiff"
        soundfile.write(path, noise(RATE_HZ), RATE_HZ, "PCM_16")
        marks = (
            struct.pack(">H", 2) + struct.pack(">HI", 1, 480) + b"\x03one" + struct.pack(">HI", 2, 960) + b"\x04four\0"
        )
        with path.open("ab") as file:
            file.write(b"MARK" + struct.pack(">I", len(marks)) + marks)
        assert read_extras(path).markers == (Marker(480, "one"), Marker(960, "four"))
        assert read_extras(path).others == ()

    def test_other_kinds_hold_nothing(self, tmp_path, noise):
        soundfile.write(tmp_path / "a.flac", noise(RATE_HZ), RATE_HZ)
        assert read_extras(tmp_path / "a.flac") == Extras()

    def test_a_chunk_too_large_is_named_and_left_out(self, source, monkeypatch):
        monkeypatch.setattr(chunks, "MAX_CHUNK_BYTES_N", len(IXML) - 1)
        extras = read_extras(source)
        assert "iXML" in extras.left_out
        assert [name for name, _ in extras.others] == [b"axml", b"LIST", b"abcd"]

    @settings(max_examples=60, deadline=None)
    @given(st.binary(max_size=200), st.sampled_from([b"cue ", b"LIST", b"bext", b"iXML", b"ds64"]), st.booleans())
    def test_broken_chunks_do_no_harm(self, tmp_path_factory, content, name, cut):
        data = b"RIFF\xff\xff\0\0WAVE" + chunk(name, (b"adtl" if name == b"LIST" else b"") + content)
        path = tmp_path_factory.getbasetemp() / "broken.wav"
        path.write_bytes(data[:-3] if cut else data)
        assert all(marker.frame_n >= 0 for marker in read_extras(path).markers)

    def test_samples_of_unknown_length_go_on_to_the_end(self, tmp_path, noise):
        data = np.round(noise(RATE_HZ) * 32767).astype("<i2").tobytes()
        fmt = struct.pack("<HHIIHH", 1, 1, RATE_HZ, RATE_HZ * 2, 2, 16)
        path = tmp_path / "piped.wav"
        path.write_bytes(b"RIFF\xff\xff\xff\xffWAVE" + chunk(b"fmt ", fmt) + b"data\xff\xff\xff\xff" + data)
        with path.open("rb") as file:
            assert [(found.name, found.size_n) for found in wave_chunks(file)] == [(b"fmt ", 16), (b"data", len(data))]
        assert wave_head(path)[-4:] == struct.pack("<I", len(data))

    def test_a_size_beyond_the_file_ends_the_walk(self, tmp_path):
        path = tmp_path / "a.wav"
        path.write_bytes(b"RIFF\0\0\0\0WAVE" + b"iXML\xf0\xff\xff\x7f" + b"text")
        with path.open("rb") as file:
            assert [found.name for found in wave_chunks(file)] == [b"iXML"]
        assert read_extras(path) == Extras(left_out=("iXML",))


class TestMarkers:
    def test_merged_with_those_there(self):
        there = Extras(cues=(CuePoint(7, 100),), notes=((b"labl", struct.pack("<I", 7) + b"verse\0"),))
        merged = there.with_markers([Marker(100, "verse"), Marker(50, "pick-up", 20), Marker(100, "hook")])
        assert merged.markers == (Marker(50, "pick-up", 20), Marker(100, "hook"), Marker(100, "verse"))
        assert [point.number for point in merged.cues] == [7, 8, 9]
        assert merged.with_markers(merged.markers) == merged

    def test_moved(self):
        moved = Extras().with_markers([Marker(10, "a"), Marker(500, "b")]).shifted(-100)
        assert moved.markers == (Marker(400, "b"),)


class TestStem:
    def test_carries_over_what_the_vocal_has(self, source, tmp_path):
        target = tmp_path / "ridden.wav"
        report = render_stem(source, target, FLAT, markers=[Marker(48_000, "a phrase — sung", 9_600)])
        assert report.notices == ()
        assert np.array_equal(samples_of(target), samples_of(source))
        after = found(target)
        assert after[b"axml"] == OTHERS[1][1]
        assert after[b"LISTINFO"] == OTHERS[2][1]
        assert after[b"abcd"] == b"odd"
        assert after[b"iXML"] == IXML.replace(b">16<", b">24<")
        assert set(after) == {b"bext", b"cue ", b"LISTadtl", b"LISTINFO", b"iXML", b"axml", b"abcd"}
        before_data = target.read_bytes().split(b"data")[0]
        assert b"bext" in before_data  # readers that take a stream want it first

        read = WavInfoReader(target, info_encoding="utf-8", bext_encoding="latin-1")
        assert read.bext.time_reference == REFERENCE_N == read_info(target).time_reference_n
        assert read.bext.description == "take 7, d\xe9j\xe0"
        assert (read.bext.originator, read.bext.originator_ref) == ("A desk", "XX123")
        assert (read.bext.originator_date, read.bext.originator_time) == ("2024-02-29", "10:11:12")
        assert not any(read.bext.umid)
        assert read.bext.loudness_value == 327.67
        own, added = read.bext.coding_history.splitlines()
        assert own == "A=PCM,F=48000,W=16,M=mono"
        assert added.startswith("A=PCM,F=48000,W=24,M=mono,T=Ridebook ")
        assert read.info.artist == "A singer"
        labels = {
            frame_n: (*read.cues.label_and_note(number), read.cues.range(number))
            for number, frame_n in read.cues.each_cue()
        }
        assert labels == {
            900: ("verse", None, 4_000),
            70_000: (None, "breath here", None),
            48_000: ("a phrase — sung", None, 9_600),
        }

    def test_another_program_finds_time_reference_and_phrases(self, source, tmp_path):
        target = tmp_path / "ridden.wav"
        render_stem(
            source, target, FLAT, markers=[Marker(30_000, "first line", 100), Marker(48_000, "second line", 100)]
        )
        read = probed(target)
        assert int(read["format"]["tags"]["time_reference"]) == REFERENCE_N
        titles = [(part["start"], part.get("tags", {}).get("title")) for part in read["chapters"]]
        assert titles == [(900, "verse"), (30_000, "first line"), (48_000, "second line"), (70_000, None)]

    @pytest.mark.parametrize("subtype", ["PCM_16", "FLOAT", "DOUBLE"])
    @pytest.mark.parametrize("channels_n", [1, 2, 6])
    def test_fields_of_its_own_where_the_vocal_has_none(self, tmp_path, noise, subtype, channels_n):
        vocal, target = tmp_path / "vocal.wav", tmp_path / "ridden.wav"
        soundfile.write(vocal, noise(RATE_HZ + 1, channels_n), RATE_HZ, subtype)
        os.utime(vocal, (1_700_000_000, 1_700_000_000))
        render_stem(vocal, target, FLAT)
        assert np.array_equal(samples_of(target), samples_of(vocal))
        read = WavInfoReader(target).bext
        assert (read.description, read.originator, read.time_reference) == ("vocal", "Ridebook", 0)
        assert read.originator_date in ("2023-11-14", "2023-11-15")  # as the time zone has it
        bits_n = {"PCM_16": 24, "FLOAT": 32, "DOUBLE": 64}[subtype]
        assert f",W={bits_n}," in read.coding_history

    def test_a_reference_of_0_is_no_news_beside_a_bed_without_one(self, tmp_path, noise):
        for name in ("vocal.wav", "bed.wav"):
            soundfile.write(tmp_path / name, noise(RATE_HZ), RATE_HZ, "PCM_24")
        render_stem(tmp_path / "vocal.wav", tmp_path / "ridden.wav", GainCurve(np.array([0]), np.array([-1.0])))
        assert read_info(tmp_path / "ridden.wav").time_reference_n == 0
        with open_pair(tmp_path / "ridden.wav", [tmp_path / "bed.wav"]) as pair:
            assert (pair.notices, pair.mix_start_n) == ((), 0)

    def test_fields_asked_for(self, source, tmp_path):
        target = tmp_path / "ridden.wav"
        measured = []

        def loudness():
            return BroadcastLoudness(integrated_lufs=-20.0 - len(measured))

        wanted = Broadcast("Lead, ridden", "A studio", time_reference_n=7)
        render_stem(source, target, FLAT, broadcast=wanted, loudness=loudness, observer=lambda _: measured.append(1))
        read = WavInfoReader(target).bext
        assert (read.description, read.originator, read.time_reference) == ("Lead, ridden", "A studio", 7)
        assert len(measured) > 0
        assert read.loudness_value == -20.0 - len(measured)  # asked when all was seen

    def test_a_ridden_stem_ridden_again_has_each_marker_once(self, source, tmp_path):
        markers = [Marker(48_000, "a phrase", 9_600)]
        render_stem(source, tmp_path / "once.wav", FLAT, markers=markers)
        render_stem(tmp_path / "once.wav", tmp_path / "twice.wav", FLAT, markers=markers)
        once, twice = found(tmp_path / "once.wav"), found(tmp_path / "twice.wav")
        assert once.pop(b"bext") != twice.pop(b"bext")  # a line more in the coding history
        assert once == twice

    @pytest.mark.parametrize("rf64", [False, True])
    def test_what_is_too_big_for_the_room_follows_the_samples(self, tmp_path, noise, monkeypatch, rf64):
        big = [(b"axml", b"x" * 100_000), (b"wxyz", b"odd" * 999), (b"iXML", IXML)]
        vocal = write_source(tmp_path / "vocal.wav", noise(RATE_HZ + 1), [(b"bext", bext()), *big])
        target = tmp_path / "ridden.wav"
        if rf64:
            monkeypatch.setattr(render, "RIFF_MAX_BYTES_N", 1000)
        report = render_stem(vocal, target, FLAT)
        assert report.container == read_info(target).container == ("RF64" if rf64 else "WAV")
        assert np.array_equal(samples_of(target), samples_of(vocal))
        after = found(target)
        assert after[b"axml"] == big[0][1]
        assert after[b"wxyz"] == big[1][1]
        assert b"iXML" in after
        read = WavInfoReader(target, bext_encoding="latin-1")
        assert read.bext.time_reference == REFERENCE_N
        assert read.data.frame_count == RATE_HZ + 1

    def test_where_the_room_is_not_there_all_follows_the_samples(self, tmp_path, noise):
        path = tmp_path / "a.wav"
        with soundfile.SoundFile(path, "w", RATE_HZ, 1, "PCM_24") as file:
            file.comment = "-"
            file.write(noise(RATE_HZ + 1))
        samples = samples_of(path)
        lay_chunks(path, [(b"bext", bext())], [(b"axml", b"odd")])
        assert found(path) == {b"bext": bext(), b"axml": b"odd"}
        assert np.array_equal(samples_of(path), samples)
        assert read_info(path).time_reference_n == REFERENCE_N

    @pytest.mark.parametrize("name", ["a.flac", "a.aiff", "a.w64"])
    def test_targets_that_cannot_hold_it_say_so(self, source, tmp_path, noise, name):
        plain = tmp_path / "plain.wav"
        soundfile.write(plain, noise(RATE_HZ), RATE_HZ, "PCM_16")
        assert render_stem(plain, tmp_path / name, FLAT).notices == ()
        for told in (
            render_stem(source, tmp_path / name, FLAT),
            render_stem(plain, tmp_path / name, FLAT, markers=[Marker(5, "a")]),
            render_stem(plain, tmp_path / name, FLAT, broadcast=Broadcast("a")),
        ):
            (notice,) = told.notices
            assert notice.startswith(f"{name} cannot hold broadcast fields, markers or iXML")

    def test_nothing_is_left_where_the_measuring_fails(self, source, tmp_path):
        def fail():
            raise RuntimeError("no figure")

        with pytest.raises(RuntimeError, match="no figure"):
            render_stem(source, tmp_path / "ridden.wav", FLAT, loudness=fail)
        assert [path.name for path in tmp_path.iterdir()] == ["vocal.wav"]


class TestPredictedSize:
    """No file is written: the container is chosen from what the file will take."""

    def container(self, frames_n, extra_n=0, name="a.wav"):
        sink = render._Sink(render.Path(name), (), RATE_HZ, Layout.STEREO, frames_n, "PCM_24")
        sink.take(Extras(others=((b"axml", bytes(extra_n)),) if extra_n else ()), None, Broadcast(), None)
        return sink.container

    def test_riff_holds_just_under_4_gib(self):
        most_n = (render.RIFF_MAX_BYTES_N - 1_000) // 6
        assert self.container(most_n) == "WAV"
        assert self.container(most_n + 1_000) == "RF64"
        assert render.RIFF_MAX_BYTES_N + 2**15 < 2**32  # room for the header, with chunks before the samples

    def test_chunks_count(self):
        frames_n = (render.RIFF_MAX_BYTES_N - 1_000_000) // 6
        assert self.container(frames_n) == "WAV"
        assert self.container(frames_n, 2_000_000) == "RF64"

    def test_aiff_is_refused(self):
        with pytest.raises(OutputError, match=r"too long for AIFF; name it \.wav or \.w64"):
            self.container(2**30, name="a.aiff")


class TestMix:
    def test_markers_and_time_reference_are_those_of_the_mix(self, tmp_path, noise):
        vocal = write_source(
            tmp_path / "vocal.wav",
            0.3 * noise(RATE_HZ),
            [(b"bext", bext(10_000)), (b"cue ", cue((3, 900))), (b"LIST", ADTL), (b"iXML", IXML)],
        )
        bed = write_source(tmp_path / "bed.wav", 0.3 * noise(RATE_HZ), [(b"bext", bext(9_300))])
        with open_pair(vocal, [bed]) as pair:
            assert pair.mix_start_n == -700
            render_mix(pair, tmp_path / "mix.wav", FLAT, markers=[Marker(5_000, "a phrase")])
            versions = [
                MixVersion(tmp_path / "bed_alone.wav", None),
                MixVersion(tmp_path / "up.wav", (1.0,), broadcast=Broadcast("vocal up 1 dB", time_reference_n=9_300)),
            ]
            render_mixes(pair, versions, [FLAT])
        read = WavInfoReader(tmp_path / "mix.wav")
        assert (read.bext.time_reference, read.bext.description) == (9_300, "Mix of vocal and its bed")
        assert read.bext.originator_date == "2024-02-29"
        assert [(frame_n, *read.cues.label_and_note(number)[:1]) for number, frame_n in read.cues.each_cue()] == [
            (1_600, "verse"),
            (5_700, "a phrase"),
        ]
        assert set(found(tmp_path / "mix.wav")) == {
            b"bext",
            b"cue ",
            b"LISTadtl",
        }  # the vocal's iXML tells of the vocal
        assert WavInfoReader(tmp_path / "bed_alone.wav").bext.description == "Bed of vocal"
        up = WavInfoReader(tmp_path / "up.wav").bext
        assert (up.description, up.time_reference) == ("vocal up 1 dB", 9_300)
        with open_pair(tmp_path / "mix.wav", [bed]) as again:
            assert again.beds[0].start_n == 0
