from __future__ import annotations

import os
import subprocess
import sys
import tempfile
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import numpy as np
import pytest
import soundfile
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from ridebook.audio.files import Layout
from ridebook.audio.stems import open_pair, open_stem, placement
from ridebook.errors import OutputError, SourceUnreadableError, SourceUnusableError

RATE_HZ = 48_000

FORMATS = [
    ("WAV", "PCM_U8"), ("WAV", "PCM_16"), ("WAV", "PCM_24"), ("WAV", "PCM_32"), ("WAV", "FLOAT"), ("WAV", "DOUBLE"),
    ("WAV", "ULAW"), ("WAV", "IMA_ADPCM"), ("RF64", "PCM_24"), ("W64", "PCM_24"), ("AIFF", "PCM_S8"),
    ("AIFF", "PCM_24"), ("AIFF", "FLOAT"), ("CAF", "ALAC_16"), ("FLAC", "PCM_16"), ("FLAC", "PCM_24"),
    ("OGG", "VORBIS"), ("OGG", "OPUS"), ("MP3", "MPEG_LAYER_III"),
]  # fmt: skip


def tone(frames_n: int, rate_hz: int, hz: float = 997.0, channels_n: int = 1, start_s: float = 0.0) -> np.ndarray:
    time_s = start_s + np.arange(frames_n) / rate_hz
    return np.repeat(0.4 * np.sin(2 * np.pi * hz * time_s)[:, None], channels_n, axis=1)


@settings(max_examples=50, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(data=st.data())
def test_random_access_is_the_whole_read(data, noise):
    container, subtype = data.draw(st.sampled_from(FORMATS))
    rate_hz = data.draw(
        st.sampled_from([8_000, 16_000, 24_000, 48_000] if subtype == "OPUS" else [8_000, 44_100, 48_000])
    )
    channels_n = data.draw(st.sampled_from([1, 2] if subtype in ("IMA_ADPCM", "MPEG_LAYER_III") else [1, 2, 5, 6]))
    frames_n = data.draw(st.integers(int(0.4 * rate_hz) + 1, int(1.2 * rate_hz)))
    start_n = data.draw(st.integers(-2_000, 2_000))
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder, "stem")
        soundfile.write(path, noise(frames_n, channels_n, seed=frames_n), rate_hz, subtype, format=container)
        # Not soundfile.read: it seeks first, after which mpg123 rounds some samples the other way.
        with soundfile.SoundFile(path) as file:
            whole = file.read(dtype="float32", always_2d=True)
        if container == "OGG" and channels_n > 2:
            whole = whole[:, [0, 2, 1, 3, 4] if channels_n == 5 else [0, 2, 1, 5, 3, 4]]
        with open_stem(path, start_n=start_n) as stem:
            assert (stem.start_n, stem.end_n) == (start_n, start_n + len(whole))
            for _ in range(8):
                first_n = data.draw(st.integers(start_n - 3_000, stem.end_n + 1_000))
                block = stem.read(first_n, first_n + data.draw(st.integers(0, 5_000)))
                expected = np.zeros_like(block)
                for i in range(len(block)):
                    if start_n <= first_n + i < stem.end_n:
                        expected[i:] = 0.0
                        part = whole[first_n + i - start_n :][: len(block) - i]
                        expected[i : i + len(part)] = part
                        break
                assert block.dtype == np.float32
                assert np.array_equal(block, expected)


@pytest.mark.parametrize(
    ("from_hz", "to_hz"),
    [(44_100, 48_000), (48_000, 44_100), (96_000, 44_100), (44_100, 96_000), (8_000, 192_000), (192_000, 8_000)],
)
def test_resampling_keeps_every_moment_in_place(tmp_path, from_hz, to_hz):
    # A tone lies on the same tone computed at the other rate: a shift of a hundredth of a sample would show.
    path = tmp_path / "tone.wav"
    frames_n = from_hz + 77
    soundfile.write(path, tone(frames_n, from_hz, channels_n=2), from_hz, "FLOAT")
    with open_stem(path, to_hz) as stem:
        assert stem.end_n == round(frames_n * to_hz / from_hz)
        found = np.concatenate([block for _, block in stem.blocks(3_001)])
    edge_n = to_hz // 10
    expected = tone(len(found), to_hz, channels_n=2)
    assert np.abs(found - expected)[edge_n:-edge_n].max() < 1e-5


@settings(max_examples=15, deadline=None)
@given(
    from_hz=st.sampled_from([8_000, 22_050, 44_100, 48_000, 88_200, 96_000, 192_000]),
    to_hz=st.sampled_from([8_000, 44_100, 48_000, 96_000]),
    at=st.floats(0.1, 0.9),
)
def test_an_impulse_stays_where_it_was(from_hz, to_hz, at):
    frames_n = from_hz // 2
    click_n = int(at * frames_n)
    samples = np.zeros(frames_n, dtype=np.float32)
    samples[click_n] = 0.9
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder, "click.wav")
        soundfile.write(path, samples, from_hz, "FLOAT")
        with open_stem(path, to_hz) as stem:
            found = np.concatenate([block for _, block in stem.blocks()])[:, 0]
    assert abs(np.abs(found).argmax() - click_n * to_hz / from_hz) <= 0.5 + 1e-9


def test_random_access_to_a_resampled_file(tmp_path, noise):
    path = tmp_path / "bed.flac"
    soundfile.write(path, noise(3 * 44_100, 2), 44_100, "PCM_24")
    with open_stem(path, RATE_HZ) as stem:
        in_order = np.concatenate([block for _, block in stem.blocks(10_007)])
    with open_stem(path, RATE_HZ) as stem:
        for start_n in (100_000, 5, 143_000, 70_000):
            assert np.array_equal(stem.read(start_n, start_n + 900), in_order[start_n : start_n + 900])


def test_threads_may_read_at_once(tmp_path, noise):
    paths = [tmp_path / "a.flac", tmp_path / "b.ogg"]
    for path in paths:
        soundfile.write(path, noise(2 * RATE_HZ, 2), RATE_HZ)
        whole = soundfile.read(path, dtype="float32")[0]
        starts = np.random.default_rng(3).integers(0, len(whole) - 500, 200)
        with open_stem(path) as stem, ThreadPoolExecutor(4) as pool:
            blocks = list(pool.map(lambda start, stem=stem: stem.read(int(start), int(start) + 500), starts))
        assert all(
            np.array_equal(block, whole[start : start + 500]) for start, block in zip(starts, blocks, strict=True)
        )


def pair_of(tmp_path, wave_file, noise, vocal_n=RATE_HZ, bed_n=RATE_HZ, vocal_ref=None, bed_ref=None, bed_hz=RATE_HZ):
    vocal = wave_file(tmp_path / "vocal.wav", noise(vocal_n), time_reference_n=vocal_ref)
    bed = wave_file(tmp_path / "bed.wav", noise(bed_n, 2, seed=2), bed_hz, time_reference_n=bed_ref)
    return open_pair(vocal, [bed])


def test_a_pair_that_fits_has_nothing_to_tell(tmp_path, wave_file, noise):
    with pair_of(tmp_path, wave_file, noise) as pair:
        assert pair.notices == ()
        assert (pair.rate_hz, pair.frames_n) == (RATE_HZ, RATE_HZ)
        assert (pair.mix_start_n, pair.mix_end_n) == (0, RATE_HZ)
        assert pair.mix_layout is Layout.STEREO


@pytest.mark.parametrize("bed_n", [RATE_HZ // 2, 2 * RATE_HZ])
def test_lengths_that_differ_are_padded_and_told(tmp_path, wave_file, noise, bed_n):
    with pair_of(tmp_path, wave_file, noise, bed_n=bed_n) as pair:
        assert pair.frames_n == RATE_HZ
        assert pair.mix_end_n == max(bed_n, RATE_HZ)
        assert len(pair.notices) == 1
        assert f"bed.wav is {bed_n / RATE_HZ:.3f} s long, the vocal 1.000 s" in pair.notices[0]
        beyond = pair.beds[0].read(bed_n - 3, bed_n + 5)
        assert beyond[:3].any()
        assert not beyond[3:].any()


@pytest.mark.parametrize(("vocal_ref", "bed_ref"), [(1_000, 25_000), (25_000, 1_000), (0, 1), (2**33, 2**33 + 7)])
def test_time_references_align(tmp_path, wave_file, noise, vocal_ref, bed_ref):
    with pair_of(tmp_path, wave_file, noise, vocal_ref=vocal_ref, bed_ref=bed_ref) as pair:
        shift_n = bed_ref - vocal_ref
        bed = soundfile.read(tmp_path / "bed.wav", dtype="float32")[0]
        assert (pair.beds[0].start_n, pair.beds[0].end_n) == (shift_n, shift_n + RATE_HZ)
        assert (pair.mix_start_n, pair.mix_end_n) == (min(shift_n, 0), max(shift_n, 0) + RATE_HZ)
        block = pair.beds[0].read(shift_n - 2, shift_n + 10)
        assert not block[:2].any()
        assert np.array_equal(block[2:], bed[:10])
        direction = "after" if shift_n > 0 else "before"
        assert len(pair.notices) == 1
        assert f"({abs(shift_n)} frames) {direction} the vocal, by the time references" in pair.notices[0]


def test_time_references_count_at_each_files_own_rate(tmp_path, wave_file):
    # Both began at 10 s past midnight plus 0.25 s for the bed; the tone runs through both on one clock.
    start_s, late_s, bed_hz = 10.0, 0.25, 44_100
    vocal = wave_file(
        tmp_path / "v.wav", tone(RATE_HZ, RATE_HZ, start_s=start_s), RATE_HZ, time_reference_n=int(start_s * RATE_HZ)
    )
    bed = wave_file(
        tmp_path / "b.wav",
        tone(bed_hz, bed_hz, start_s=start_s + late_s),
        bed_hz,
        time_reference_n=int((start_s + late_s) * bed_hz),
    )
    with open_pair(vocal, [bed]) as pair:
        assert pair.beds[0].start_n == RATE_HZ // 4
        assert any("resampled from 44100 Hz to the vocal's 48000 Hz" in notice for notice in pair.notices)
        assert any("0.250000 s (12000 frames) after the vocal" in notice for notice in pair.notices)
        sung, played = pair.vocal.read(20_000, 45_000), pair.beds[0].read(20_000, 45_000)
    assert np.abs(sung - played).max() < 1e-4  # two roundings to 16 bits


@pytest.mark.parametrize(("vocal_ref", "bed_ref", "whose"), [(5, None, "vocal"), (None, 5, "bed")])
def test_one_time_reference_alone_does_not_align(tmp_path, wave_file, noise, vocal_ref, bed_ref, whose):
    with pair_of(tmp_path, wave_file, noise, vocal_ref=vocal_ref, bed_ref=bed_ref) as pair:
        assert pair.beds[0].start_n == 0
        assert pair.notices == (f"Only {whose}.wav carries a time reference, so bed.wav starts with the vocal.",)


def test_followers_stand_on_the_same_clock_and_are_not_measured(tmp_path, wave_file, noise):
    vocal = wave_file(tmp_path / "vocal.wav", noise(RATE_HZ), time_reference_n=9_600)
    bed = wave_file(tmp_path / "bed.wav", noise(RATE_HZ, 2, seed=2), time_reference_n=9_600)
    early = wave_file(tmp_path / "early.wav", noise(RATE_HZ, seed=3), time_reference_n=0)
    late = wave_file(tmp_path / "late.wav", noise(44_100, 2, seed=4), 44_100, time_reference_n=44_100)
    with open_pair(vocal, [bed], [early, late]) as pair:
        assert [stem.path for stem in pair.stems] == [vocal, bed]
        assert [stem.path for stem in pair.followers] == [early, late]
        assert [stem.start_n for stem in pair.sounding] == [0, 0, -9_600, 38_400]
        assert (pair.mix_start_n, pair.mix_end_n) == (-9_600, 86_400)
        assert pair.followers[1].rate_hz == RATE_HZ
        assert any("late.wav is resampled" in notice for notice in pair.notices)


def test_references_that_would_leave_no_overlap_are_not_followed(tmp_path, wave_file, noise):
    for bed_ref in (3_600 * RATE_HZ, 0):
        with pair_of(tmp_path, wave_file, noise, vocal_ref=1_000 * RATE_HZ, bed_ref=bed_ref) as pair:
            assert pair.beds[0].start_n == 0
            assert "would not overlap it; it starts with the vocal instead" in pair.notices[0]


def test_a_file_given_twice_is_told(tmp_path, wave_file, noise):
    vocal = wave_file(tmp_path / "vocal.wav", noise(RATE_HZ))
    link = tmp_path / "other.wav"
    os.link(vocal, link)
    bed = wave_file(tmp_path / "bed.wav", noise(RATE_HZ, seed=2))
    with open_pair(vocal, [link, bed, bed]) as pair:
        assert pair.notices == (
            "other.wav is given as vocal and as bed; check whether that is meant.",
            "bed.wav is given as bed twice; check whether that is meant.",
        )


def test_a_bed_is_needed(tmp_path, wave_file, noise):
    with pytest.raises(SourceUnusableError, match="has no bed"):
        open_pair(wave_file(tmp_path / "vocal.wav", noise(RATE_HZ)), [])


def test_a_bad_bed_lets_go_of_the_vocal(tmp_path, wave_file, noise, monkeypatch):
    closed = []
    monkeypatch.setattr("ridebook.audio.files.FrameReader.close", lambda self: closed.append(self.info.path.name))
    vocal = wave_file(tmp_path / "vocal.wav", noise(RATE_HZ))
    with pytest.raises(SourceUnreadableError, match="gone"):
        open_pair(vocal, [tmp_path / "gone.wav"])
    assert closed == ["vocal.wav"]


@pytest.mark.parametrize("value", [np.nan, np.inf, -np.inf])
@pytest.mark.parametrize(("subtype", "bed_hz"), [("FLOAT", RATE_HZ), ("DOUBLE", RATE_HZ), ("FLOAT", 44_100)])
def test_what_is_no_number_is_refused_with_its_place(tmp_path, noise, value, subtype, bed_hz):
    samples = noise(2 * bed_hz, 2)
    samples[70_000, 1] = value
    path = tmp_path / "bad.wav"
    soundfile.write(path, samples, bed_hz, subtype)
    with (
        open_stem(path, RATE_HZ) as stem,
        pytest.raises(
            SourceUnusableError, match=rf"bad\.wav holds .*{70_000 / bed_hz:.3f} s from its start \(frame 70000\)"
        ),
    ):
        for _ in stem.blocks(10_000):
            pass


@pytest.mark.parametrize("level", [0.0, 2.0**-15])
def test_silence_is_found_when_all_has_been_read(tmp_path, noise, level):
    sound, silence = tmp_path / "sound.wav", tmp_path / "silence.wav"
    soundfile.write(sound, noise(RATE_HZ), RATE_HZ, "FLOAT")
    soundfile.write(silence, np.full(RATE_HZ, level), RATE_HZ, "FLOAT")
    with (
        open_stem(silence) as stem,
        pytest.raises(SourceUnusableError, match=r"silence\.wav holds nothing but silence"),
    ):
        assert sum(len(block) for _, block in stem.blocks()) == RATE_HZ

    def opened(vocal, *beds):
        pair = open_pair(vocal, beds)
        for stem in pair.stems:
            stem.read(0, pair.frames_n)
        return pair

    with opened(sound, sound) as pair:
        assert pair.check_sound() == ()
    with opened(sound, silence, sound) as pair:
        assert pair.check_sound() == ("silence.wav is silent while the vocal lasts and changes nothing.",)
    with opened(silence, sound) as pair, pytest.raises(SourceUnusableError, match=r"silence\.wav holds nothing"):
        pair.check_sound()
    with opened(sound, silence) as pair, pytest.raises(SourceUnusableError, match="there is no balance to measure"):
        pair.check_sound()


def test_a_full_temporary_folder_is_told(tmp_path, noise):
    resource = pytest.importorskip("resource", reason="limits of file size are set by POSIX systems alone")
    path = tmp_path / "bed.wav"
    soundfile.write(path, noise(4 * 44_100, 2), 44_100, "PCM_16")
    limits = resource.getrlimit(resource.RLIMIT_FSIZE)
    with open_stem(path, RATE_HZ) as stem:
        resource.setrlimit(resource.RLIMIT_FSIZE, (200_000, limits[1]))
        try:
            with pytest.raises(OutputError, match=r"bed\.wav cannot be decoded into .*make room there"):
                stem.read(150_000, 150_010)
        finally:
            resource.setrlimit(resource.RLIMIT_FSIZE, limits)


@pytest.mark.parametrize("mix", [Layout.STEREO, Layout.SURROUND_5_0, Layout.SURROUND_5_1])
@pytest.mark.parametrize("law_db", [0.0, -3.0, -4.5, -6.0])
def test_mono_goes_to_both_sides_by_the_centre_law(mix, law_db):
    matrix = placement(Layout.MONO, mix, law_db)
    assert matrix.shape == (1, mix.channels_n)
    assert 20 * np.log10(matrix[0, :2]) == pytest.approx([law_db, law_db])
    assert not matrix[0, 2:].any()


@pytest.mark.parametrize("layout", list(Layout))
def test_a_stem_of_the_mixs_own_layout_goes_straight_in(layout):
    assert np.array_equal(placement(layout, layout, -6.0), np.eye(layout.channels_n))


def test_other_placements():
    five, six = Layout.SURROUND_5_0, Layout.SURROUND_5_1
    assert placement(Layout.STEREO, six).tolist() == [[1, 0, 0, 0, 0, 0], [0, 1, 0, 0, 0, 0]]
    assert (np.arange(1, 6) @ placement(five, six)).tolist() == [1, 2, 3, 0, 4, 5]
    # ITU-R BS.775-3 Annex 4: L' = L + 0.7071 C + 0.7071 Ls.
    to_stereo = placement(six, Layout.STEREO)
    assert to_stereo[:, 0] == pytest.approx([1, 0, 0.7071, 0, 0.7071, 0], abs=1e-4)
    assert to_stereo[:, 1] == pytest.approx([0, 1, 0.7071, 0, 0, 0.7071], abs=1e-4)
    with pytest.raises(ValueError, match="no rule"):
        placement(Layout.STEREO, Layout.MONO)


_PEAK_OF_A_READ = r"""
import re, sys
from pathlib import Path
from ridebook.audio.stems import open_pair
with open_pair(sys.argv[1], sys.argv[2:]) as pair:
    for start_n in range(0, pair.frames_n, 1 << 16):
        for stem in pair.stems:
            stem.read(start_n, min(start_n + (1 << 16), pair.frames_n))
print(re.search(r"VmHWM:\s+(\d+) kB", Path("/proc/self/status").read_text())[1])
"""


@pytest.mark.skipif(sys.platform != "linux", reason="the peak is read from /proc")
def test_memory_does_not_grow_with_length(tmp_path, noise):
    peaks = []
    for length_s in (2, 20):
        vocal, stored, resampled = (tmp_path / f"{name}{length_s}.wav" for name in ("v", "b", "r"))
        soundfile.write(vocal, noise(length_s * 96_000), 96_000, "PCM_24")
        soundfile.write(stored, noise(length_s * 96_000, 2), 96_000, "PCM_24")
        soundfile.write(resampled, noise(length_s * 44_100, 2), 44_100, "PCM_16")
        ran = subprocess.run(
            [sys.executable, "-c", _PEAK_OF_A_READ, vocal, stored, resampled], check=True, capture_output=True
        )
        peaks.append(int(ran.stdout) * 1024)
    # The 20 s are 38 MB of samples; held in memory they would show.
    assert peaks[1] - peaks[0] < 8e6
