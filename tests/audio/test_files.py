from __future__ import annotations

import hashlib
import os

import numpy as np
import pytest
import soundfile

from ridebook.audio.files import FrameReader, Layout, file_sha256, read_info
from ridebook.errors import SourceUnreadableError, SourceUnusableError

RATE_HZ = 48_000


@pytest.mark.parametrize(
    ("container", "subtype", "bits_n", "lossy"),
    [
        ("WAV", "PCM_U8", 8, False),
        ("WAV", "PCM_16", 16, False),
        ("WAV", "PCM_24", 24, False),
        ("WAV", "PCM_32", 32, False),
        ("WAV", "FLOAT", 32, False),
        ("WAV", "DOUBLE", 64, False),
        ("WAV", "ULAW", 0, True),
        ("WAV", "IMA_ADPCM", 0, True),
        ("RF64", "PCM_24", 24, False),
        ("W64", "PCM_16", 16, False),
        ("AIFF", "PCM_S8", 8, False),
        ("AIFF", "PCM_24", 24, False),
        ("CAF", "ALAC_24", 24, False),
        ("FLAC", "PCM_16", 16, False),
        ("OGG", "VORBIS", 0, True),
        ("OGG", "OPUS", 0, True),
        ("MP3", "MPEG_LAYER_III", 0, True),
    ],
)
def test_what_a_file_is(tmp_path, noise, container, subtype, bits_n, lossy):
    path = tmp_path / "stem.x"
    frames_n = 4 * 5050  # whole blocks of ADPCM, which pads to them
    soundfile.write(path, noise(frames_n, 2), RATE_HZ, subtype, format=container)
    info = read_info(path)
    assert (info.path, info.rate_hz, info.channels_n) == (path, RATE_HZ, 2)
    assert (info.container, info.subtype, info.bits_n, info.lossy) == (container, subtype, bits_n, lossy)
    assert frames_n <= info.frames_n < frames_n + 5050
    assert info.layout is Layout.STEREO
    assert info.time_reference_n is None
    assert info.floating == (subtype in ("FLOAT", "DOUBLE"))


@pytest.mark.parametrize("rate_hz", [8_000, 192_000])
def test_the_rates_at_the_ends_of_the_range_serve(tmp_path, noise, rate_hz):
    path = tmp_path / "a.wav"
    soundfile.write(path, noise(rate_hz), rate_hz)
    assert read_info(path).rate_hz == rate_hz


@pytest.mark.parametrize(
    ("channels_n", "mask", "layout"),
    [
        (1, None, Layout.MONO),
        (2, None, Layout.STEREO),
        (5, None, Layout.SURROUND_5_0),
        (6, None, Layout.SURROUND_5_1),
        (1, 0x4, Layout.MONO),
        (2, 0x3, Layout.STEREO),
        (5, 0x37, Layout.SURROUND_5_0),
        (5, 0x607, Layout.SURROUND_5_0),
        (6, 0x3F, Layout.SURROUND_5_1),
        (6, 0x60F, Layout.SURROUND_5_1),
        (6, 0, Layout.SURROUND_5_1),
    ],
)
def test_layout_by_mask_or_count(tmp_path, noise, wave_file, channels_n, mask, layout):
    path = wave_file(tmp_path / "a.wav", noise(RATE_HZ, channels_n), channel_mask=mask)
    assert read_info(path).layout is layout


@pytest.mark.parametrize(
    ("channels_n", "mask"),
    [(3, None), (4, None), (7, None), (8, None), (4, 0x33), (6, 0x13F & ~0x8 | 0x40), (5, 0x3F), (6, 0x37)],
)
def test_other_layouts_are_refused(tmp_path, noise, wave_file, channels_n, mask):
    path = wave_file(tmp_path / "wide.wav", noise(RATE_HZ, channels_n), channel_mask=mask)
    with pytest.raises(SourceUnusableError, match=rf"wide\.wav has {channels_n} channels.*mono, stereo, 5\.0 and 5\.1"):
        read_info(path)


def test_weights_are_those_of_bs_1770():
    # ITU-R BS.1770-5 Annex 1 Table 3; the low-frequency channel is left out of the sum.
    assert Layout.MONO.weights.tolist() == [1.0]
    assert Layout.STEREO.weights.tolist() == [1.0, 1.0]
    assert Layout.SURROUND_5_0.weights.tolist() == [1.0, 1.0, 1.0, 1.41, 1.41]
    assert Layout.SURROUND_5_1.weights.tolist() == [1.0, 1.0, 1.0, 0.0, 1.41, 1.41]


@pytest.mark.parametrize("subtype", ["VORBIS", "OPUS"])
def test_ogg_channels_come_in_wave_order(tmp_path, subtype):
    # Vorbis I, 4.3.9: left, centre, right, rear left, rear right, low frequency, as they go into the file here.
    time_s = np.arange(RATE_HZ) / RATE_HZ
    tones_hz = {"L": 500, "C": 700, "R": 900, "Ls": 1100, "Rs": 1300, "LFE": 60}
    path = tmp_path / "six.ogg"
    signal = np.stack([0.3 * np.sin(2 * np.pi * hz * time_s) for hz in tones_hz.values()], axis=1)
    soundfile.write(path, signal, RATE_HZ, subtype, format="OGG")
    with FrameReader(path) as reader:
        out = np.empty((reader.info.frames_n, 6), dtype=np.float32)
        reader.read_into(out, 0)
    spectrum = np.abs(np.fft.rfft(out[:RATE_HZ], axis=0))
    found_hz = spectrum.argmax(axis=0)
    assert found_hz.tolist() == [tones_hz[name] for name in ("L", "R", "C", "LFE", "Ls", "Rs")]


@pytest.mark.parametrize("kind", ["RIFF", "RF64", "W64"])
@pytest.mark.parametrize("bext_last", [False, True])
@pytest.mark.parametrize("reference_n", [0, 1, 172_800_000, 2**32 + 5, 2**40])
def test_time_reference_of_a_broadcast_wave(tmp_path, noise, wave_file, kind, bext_last, reference_n):
    # EBU Tech 3285: TimeReference is one unsigned 64-bit number, low word first.
    samples = noise(RATE_HZ // 2)
    path = wave_file(tmp_path / "a.wav", samples, time_reference_n=reference_n, kind=kind, bext_last=bext_last)
    info = read_info(path)
    assert info.time_reference_n == reference_n
    assert info.frames_n == len(samples)


def test_a_bext_chunk_that_breaks_off_is_no_time_reference(tmp_path, noise, wave_file):
    path = wave_file(tmp_path / "a.wav", noise(RATE_HZ), time_reference_n=5, bext_last=True)
    path.write_bytes(path.read_bytes()[:-500])
    assert read_info(path).time_reference_n is None


def test_digest_of_the_bytes(tmp_path):
    path = tmp_path / "a"
    path.write_bytes(b"abc" * 100_000)
    assert file_sha256(path) == hashlib.sha256(path.read_bytes()).hexdigest()


@pytest.mark.parametrize("read", [read_info, file_sha256])
def test_missing_file(tmp_path, read):
    with pytest.raises(SourceUnreadableError, match=r"gone\.wav is not there"):
        read(tmp_path / "gone.wav")


@pytest.mark.parametrize("read", [read_info, file_sha256])
def test_folder(tmp_path, read):
    with pytest.raises(SourceUnreadableError, match="is a folder"):
        read(tmp_path)


@pytest.mark.parametrize("read", [read_info, file_sha256])
def test_file_that_may_not_be_read(tmp_path, monkeypatch, noise, read):
    path = tmp_path / "shut.wav"
    soundfile.write(path, noise(RATE_HZ), RATE_HZ)
    path.chmod(0)
    if os.access(path, os.R_OK):  # the superuser may read everything: the system's answer is put in its mouth

        def refuse(*args, **kwargs):
            raise PermissionError(13, "Permission denied", str(path))

        monkeypatch.setattr(type(path), "open", refuse)
    with pytest.raises(SourceUnreadableError, match=r"shut\.wav may not be read"):
        read(path)


@pytest.mark.parametrize(
    ("name", "content"),
    [
        ("text.wav", b"these are words and no samples" * 100),
        ("empty.wav", b""),
        ("plain.raw", bytes(100_000)),
        ("riff.wav", b"RIFF\x04\x00\x00\x00WAVE"),
        ("stream.flac", b"fLaC" + bytes(60)),
        ("song.mp3", b"ID3\x04\x00\x00\x00\x00\x00\x00" + bytes(200)),
    ],
)
def test_what_is_not_audio(tmp_path, name, content):
    path = tmp_path / name
    path.write_bytes(content)
    with pytest.raises(SourceUnreadableError, match=rf"{name} is not audio that can be read here \(.+\); give a WAV"):
        read_info(path)


def test_no_frames(tmp_path):
    path = tmp_path / "none.wav"
    soundfile.write(path, np.empty((0, 1)), RATE_HZ)
    with pytest.raises(SourceUnusableError, match=r"none\.wav has no frames"):
        read_info(path)


def test_too_short_to_measure(tmp_path, noise):
    path = tmp_path / "blip.wav"
    soundfile.write(path, noise(19_199), RATE_HZ)
    with pytest.raises(SourceUnusableError, match=r"blip\.wav is 0\.400 s long, too short"):
        read_info(path)
    soundfile.write(path, noise(19_200), RATE_HZ)
    assert read_info(path).frames_n == 19_200


@pytest.mark.parametrize("rate_hz", [7_999, 192_001])
def test_rate_out_of_range(tmp_path, noise, rate_hz):
    path = tmp_path / "odd.wav"
    soundfile.write(path, noise(rate_hz), rate_hz)
    with pytest.raises(SourceUnusableError, match=rf"odd\.wav has a sample rate of {rate_hz} Hz"):
        read_info(path)


def test_flac_that_leaves_its_length_open(tmp_path, noise):
    path = tmp_path / "streamed.flac"
    soundfile.write(path, noise(RATE_HZ), RATE_HZ, "PCM_16")
    content = bytearray(path.read_bytes())
    # RFC 9639, 8.2: the 36 bits of the number of samples end at byte 17 of STREAMINFO, which begins at byte 8;
    # 0 stands for unknown.
    content[21] &= 0xF0
    content[22:26] = bytes(4)
    path.write_bytes(content)
    with pytest.raises(SourceUnusableError, match=r"streamed\.flac does not say in its header how long it is"):
        read_info(path)


def test_file_that_breaks_off(tmp_path, noise):
    path = tmp_path / "half.flac"
    soundfile.write(path, noise(4 * RATE_HZ), RATE_HZ, "PCM_16")
    content = path.read_bytes()
    path.write_bytes(content[: len(content) // 2])
    with FrameReader(path) as reader:
        out = np.empty((reader.info.frames_n, 1), dtype=np.float32)
        with pytest.raises(SourceUnreadableError, match=r"half\.flac is broken"):
            reader.read_into(out, 0)
        begin = np.empty((1000, 1), dtype=np.float32)
        reader.read_into(begin, 100)  # what is whole can still be read
    whole = tmp_path / "whole.flac"
    whole.write_bytes(content)
    assert np.array_equal(begin, soundfile.read(whole, dtype="float32", always_2d=True)[0][100:1100])


def test_wave_file_cut_after_opening(tmp_path, noise):
    path = tmp_path / "cut.wav"
    soundfile.write(path, noise(4 * RATE_HZ), RATE_HZ, "PCM_16")
    with FrameReader(path) as reader:
        os.truncate(path, 2 * RATE_HZ)
        out = np.empty((reader.info.frames_n, 1), dtype=np.float32)
        with pytest.raises(SourceUnreadableError, match=r"cut\.wav is broken: it ends 1\.000 s from its start"):
            reader.read_into(out, 0)


def test_integers_are_exact(tmp_path):
    values = np.random.default_rng(1).integers(-(2**31), 2**31, (RATE_HZ, 2), dtype=np.int32)
    values[0], values[1] = -(2**31), 2**31 - 1
    path = tmp_path / "a.wav"
    soundfile.write(path, values, RATE_HZ, "PCM_32")
    with FrameReader(path) as reader:
        blocks = [block.copy() for _, block in reader.blocks(4_001, "int32")]
    assert np.array_equal(np.concatenate(blocks), values)
