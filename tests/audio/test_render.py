from __future__ import annotations

import os
import stat

import numpy as np
import pytest
import soundfile

from ridebook.audio import render
from ridebook.audio.files import read_info
from ridebook.audio.gain import GainCurve
from ridebook.audio.render import MixVersion, TriangularDither, render_mixes, render_stem
from ridebook.audio.stems import open_pair
from ridebook.errors import OutputError, OutputIsSourceError, SourceUnreadableError, SourceUnusableError
from tests.renders import render_mix

RATE_HZ = 48_000
FLAT = GainCurve(np.array([], dtype=np.int64), np.array([]))
STEP_24 = 2.0**-23


def held(gain_db: float) -> GainCurve:
    return GainCurve(np.array([0]), np.array([gain_db]))


def samples_of(path, dtype="float64"):
    return soundfile.read(path, dtype=dtype, always_2d=True)[0]


# How a source of each kind comes out.
KINDS = [
    ("WAV", "PCM_U8", "PCM_24"),
    ("WAV", "PCM_16", "PCM_24"),
    ("WAV", "PCM_24", "PCM_24"),
    ("WAV", "PCM_32", "PCM_32"),
    ("WAV", "FLOAT", "FLOAT"),
    ("WAV", "DOUBLE", "DOUBLE"),
    ("AIFF", "PCM_S8", "PCM_24"),
    ("FLAC", "PCM_24", "PCM_24"),
    ("CAF", "ALAC_20", "PCM_24"),
    ("CAF", "ALAC_32", "PCM_32"),
]


@pytest.mark.parametrize(("container", "subtype", "out_subtype"), KINDS)
@pytest.mark.parametrize("channels_n", [1, 2, 5, 6])
def test_a_flat_lane_at_0_db_gives_back_the_samples(tmp_path, noise, container, subtype, out_subtype, channels_n):
    vocal, target = tmp_path / "vocal.x", tmp_path / "ridden.wav"
    samples = noise(RATE_HZ // 2, channels_n)
    samples[100], samples[101] = -1.0, 1.0
    soundfile.write(vocal, samples, RATE_HZ, subtype, format=container)
    for curve in (FLAT, held(0.0), GainCurve(np.array([5, 9_000]), np.array([0.0, 0.0]))):
        report = render_stem(vocal, target, curve)
        kind = "float64" if out_subtype in ("FLOAT", "DOUBLE") else "int32"
        assert np.array_equal(samples_of(target, kind), samples_of(vocal, kind))
        info = read_info(target)
        assert (info.rate_hz, info.subtype, info.layout) == (RATE_HZ, out_subtype, read_info(vocal).layout)
        assert (report.subtype, report.frames_n, report.channels_n) == (out_subtype, len(samples), channels_n)
        assert (report.clipped_n, report.notices) == (0, ())
        assert report.container == info.container == ("WAVEX" if channels_n > 2 else "WAV")


@pytest.mark.parametrize(("container", "subtype"), [("MP3", "MPEG_LAYER_III"), ("OGG", "VORBIS"), ("WAV", "ULAW")])
def test_a_lossy_vocal_becomes_24_bit_and_is_told(tmp_path, noise, container, subtype):
    vocal, target = tmp_path / "vocal.x", tmp_path / "ridden.wav"
    soundfile.write(vocal, noise(RATE_HZ, 2), RATE_HZ, subtype, format=container)
    report = render_stem(vocal, target, FLAT)
    assert report.subtype == read_info(target).subtype == "PCM_24"
    assert report.notices == ("vocal.x is lossy; its ridden stem is written with 24 bits.",)
    assert np.abs(samples_of(target) - samples_of(vocal)).max() <= STEP_24 / 2


@pytest.mark.parametrize("channels_n", [1, 2, 6])
@pytest.mark.parametrize(("subtype", "step"), [("PCM_16", STEP_24), ("PCM_24", STEP_24), ("PCM_32", 2.0**-31)])
def test_a_moving_lane_is_within_the_dither_of_the_exact_product(tmp_path, noise, channels_n, subtype, step):
    vocal, target = tmp_path / "vocal.wav", tmp_path / "ridden.wav"
    soundfile.write(vocal, noise(3 * RATE_HZ, channels_n), RATE_HZ, subtype)
    rng = np.random.default_rng(3)
    frames = np.sort(rng.choice(3 * RATE_HZ, 40, replace=False))
    gains_db = rng.uniform(-12.0, 6.0, 40)
    gains_db[10:14] = 0.0
    gains_db[20:22] = -3.0
    report = render_stem(vocal, target, GainCurve(frames, gains_db))
    line_db = np.interp(np.arange(3 * RATE_HZ), frames, gains_db)
    exact = samples_of(vocal) * 10.0 ** (line_db[:, None] / 20.0)
    out = samples_of(target)
    assert out.shape == exact.shape
    # Half a step of rounding and at most a whole one of dither.
    assert np.abs(out - np.clip(exact, -1.0, 1.0 - step)).max() <= 1.5 * step * (1 + 1e-6)
    at_unity = slice(frames[10], frames[13] + 1)
    assert np.array_equal(out[at_unity], samples_of(vocal)[at_unity])
    assert report.clipped_n == np.count_nonzero(np.abs(exact) > 1.0)


@pytest.mark.parametrize(("subtype", "tolerance"), [("FLOAT", 2.0**-24), ("DOUBLE", 1e-14)])
def test_floating_point_is_the_exact_product(tmp_path, noise, subtype, tolerance):
    vocal, target = tmp_path / "vocal.wav", tmp_path / "ridden.wav"
    samples = 40.0 * noise(RATE_HZ, 2)  # far over full scale, which float can hold
    soundfile.write(vocal, samples, RATE_HZ, subtype)
    curve = GainCurve(np.array([1_000, 30_000]), np.array([-7.0, 5.0]))
    report = render_stem(vocal, target, curve)
    exact = samples_of(vocal) * 10.0 ** (np.interp(np.arange(RATE_HZ), curve.frames, curve.gains_db)[:, None] / 20.0)
    np.testing.assert_allclose(samples_of(target), exact, rtol=tolerance)
    assert report.clipped_n == 0


def test_a_single_frame_at_0_db_passes_as_it_is(tmp_path, noise):
    vocal, target = tmp_path / "vocal.wav", tmp_path / "ridden.wav"
    soundfile.write(vocal, noise(RATE_HZ, 2), RATE_HZ, "PCM_24")
    peaks = np.arange(500, 40_000, 500)
    curve = GainCurve(peaks, np.where(peaks % 1_000, 0.0, -4.0))
    render_stem(vocal, target, curve)
    untouched = peaks[curve.gains_db == 0.0]
    assert np.array_equal(samples_of(target)[untouched], samples_of(vocal)[untouched])


def test_samples_over_full_scale_are_counted(tmp_path):
    vocal, target = tmp_path / "vocal.wav", tmp_path / "ridden.wav"
    samples = np.full((RATE_HZ, 1), 0.25)
    samples[1_000:1_007], samples[2_000:2_005] = 0.75, -0.75
    soundfile.write(vocal, samples, RATE_HZ, "PCM_16")
    seen = []
    report = render_stem(vocal, target, held(6.0), observer=lambda block: seen.append(block.copy()))
    assert report.clipped_n == 12
    out = samples_of(target)[:, 0]
    assert out[1_000] == 1.0 - STEP_24
    assert out[2_000] == -1.0
    # The observer is shown what would have been, so that a meter can tell by how much.
    assert np.concatenate(seen).max() == pytest.approx(0.75 * 10 ** (6 / 20), abs=1e-5)


@pytest.mark.parametrize(("subtype", "channels_n"), [("PCM_24", 1), ("PCM_24", 2), ("FLOAT", 2), ("DOUBLE", 1)])
def test_the_observer_sees_what_is_written(tmp_path, noise, subtype, channels_n):
    vocal, target = tmp_path / "vocal.wav", tmp_path / "ridden.wav"
    frames_n = 7 * RATE_HZ  # several blocks
    soundfile.write(vocal, 0.5 * noise(frames_n, channels_n), RATE_HZ, subtype)
    curve = GainCurve(np.array([100_000, 200_000, 300_000]), np.array([0.0, -2.0, 1.0]))
    seen, told = [], []
    render_stem(vocal, target, curve, observer=lambda block: seen.append(block.copy()), progress=told.append)
    found = np.concatenate(seen)
    assert found.dtype == np.float32
    assert found.shape == (frames_n, channels_n)
    assert np.abs(found - samples_of(target)).max() <= 0.5 * STEP_24 + 2.0**-24
    assert told == sorted(told)
    assert told[-1] == 1.0


def test_the_same_song_gives_the_same_bytes(tmp_path, noise):
    vocal = tmp_path / "vocal.wav"
    soundfile.write(vocal, noise(RATE_HZ, 2), RATE_HZ, "PCM_24")
    for name in ("a.wav", "b.wav"):
        render_stem(vocal, tmp_path / name, held(-1.5))
    assert (tmp_path / "a.wav").read_bytes() == (tmp_path / "b.wav").read_bytes()


DITHERED_N = 2_000_000


@pytest.fixture(scope="module")
def error_steps(tmp_path_factory):
    """Error of a quiet tone in steps of 24 bit, and where the tone lay between two steps."""
    folder = tmp_path_factory.mktemp("dither")
    vocal, target = folder / "vocal.wav", folder / "ridden.wav"
    tone = 3.3 * STEP_24 * np.sin(np.arange(DITHERED_N) * 0.01234)
    soundfile.write(vocal, tone, RATE_HZ, "PCM_24")
    render_stem(vocal, target, held(-1.37))
    exact = samples_of(vocal)[:, 0] * 10.0 ** (-1.37 / 20.0) / STEP_24
    return samples_of(target)[:, 0] / STEP_24 - exact, exact


class TestDither:
    """Triangular dither of two steps from peak to peak makes mean and power of the whole error independent of the
    signal, and the power 1/12 + 1/6 of a squared step (Lipshitz, Wannamaker, Vanderkooy, "Quantization and Dither: A
    Theoretical Survey", J. Audio Eng. Soc. 40(5), 1992). The bounds are 4.5 standard deviations of the estimate."""

    def test_mean_and_power(self, error_steps):
        error, _ = error_steps
        sigma = 0.5 / np.sqrt(DITHERED_N)
        assert abs(error.mean()) < 4.5 * sigma
        # The fourth moment of the error is at most 1.5^4, which bounds the spread of the mean square.
        assert np.mean(error**2) == pytest.approx(0.25, abs=4.5 * 1.5**2 * 0.5 / np.sqrt(DITHERED_N))
        assert np.abs(error).max() <= 1.5

    def test_neither_mean_nor_power_follow_the_signal(self, error_steps):
        error, exact = error_steps
        for level in np.unique(exact):
            there = error[exact == level]
            assert len(there) > 50_000
            assert abs(there.mean()) < 4.5 * 0.5 / np.sqrt(len(there))
            assert np.mean(there**2) == pytest.approx(0.25, abs=4.5 * 1.5**2 * 0.5 / np.sqrt(len(there)))

    def test_white_and_different_on_both_sides(self, error_steps, tmp_path):
        error, _ = error_steps
        bound = 4.5 / np.sqrt(DITHERED_N)
        for lag_n in (1, 2, 3, 8_192, 16_384, 32_768, 262_144):
            assert abs(np.mean(error[lag_n:] * error[:-lag_n])) / 0.25 < bound * np.sqrt(2)
        vocal, target = tmp_path / "vocal.wav", tmp_path / "ridden.wav"
        soundfile.write(vocal, np.full((RATE_HZ, 2), 0.1), RATE_HZ, "PCM_24")
        render_stem(vocal, target, held(-2.0))
        left, right = samples_of(target).T
        assert abs(np.corrcoef(left, right)[0, 1]) < 4.5 / np.sqrt(RATE_HZ)

    def test_the_noise_itself(self):
        noise = TriangularDither().steps_into(np.empty(1_000_001))
        assert np.abs(noise).max() < 1.0
        assert noise.var() == pytest.approx(1 / 6, rel=0.01)
        # A triangle: three quarters lie within half a step.
        assert np.mean(np.abs(noise) < 0.5) == pytest.approx(0.75, abs=0.002)


@pytest.mark.parametrize(
    ("name", "container"),
    [("a.wav", "WAV"), ("A.WAV", "WAV"), ("a.w64", "W64"), ("a.aiff", "AIFF"), ("a.aif", "AIFF"), ("a.flac", "FLAC")],
)
def test_the_container_goes_by_the_name(tmp_path, noise, name, container):
    vocal = tmp_path / "vocal.wav"
    soundfile.write(vocal, noise(RATE_HZ, 2), RATE_HZ, "PCM_24")
    report = render_stem(vocal, tmp_path / name, FLAT)
    assert report.container == read_info(tmp_path / name).container == container
    assert np.array_equal(samples_of(tmp_path / name, "int32"), samples_of(vocal, "int32"))


def test_wav_becomes_rf64_where_riff_is_too_small(tmp_path, noise, monkeypatch):
    vocal = tmp_path / "vocal.wav"
    soundfile.write(vocal, noise(RATE_HZ, 2), RATE_HZ, "PCM_24")
    monkeypatch.setattr(render, "RIFF_MAX_BYTES_N", 2 * 3 * RATE_HZ - 1)
    assert render_stem(vocal, tmp_path / "a.wav", FLAT).container == "RF64"
    assert (tmp_path / "a.wav").read_bytes()[:4] == b"RF64"
    assert np.array_equal(samples_of(tmp_path / "a.wav", "int32"), samples_of(vocal, "int32"))
    with pytest.raises(OutputError, match=r"too long for AIFF; name it \.wav or \.w64"):
        render_stem(vocal, tmp_path / "a.aiff", FLAT)


@pytest.mark.parametrize(
    ("name", "subtype", "message"),
    [
        ("a.mp3", "PCM_24", r"name it \.wav, \.w64, \.aiff or \.flac"),
        ("a", "PCM_24", r"name it \.wav, \.w64, \.aiff or \.flac"),
        ("a.flac", "FLOAT", r"FLAC has no FLOAT samples; name it \.wav"),
        ("no/a.wav", "PCM_24", "there is no folder"),
    ],
)
def test_targets_that_cannot_be(tmp_path, noise, name, subtype, message):
    vocal = tmp_path / "vocal.wav"
    soundfile.write(vocal, noise(RATE_HZ), RATE_HZ, subtype)
    with pytest.raises(OutputError, match=message):
        render_stem(vocal, tmp_path / name, FLAT)
    assert [path.name for path in tmp_path.iterdir()] == ["vocal.wav"]


@pytest.mark.parametrize("way", ["same", "roundabout", "hard link", "symbolic link", "protected"])
def test_no_output_is_a_source(tmp_path, noise, way):
    vocal, bed, target = tmp_path / "vocal.wav", tmp_path / "bed.wav", tmp_path / "other.wav"
    for path in (vocal, bed):
        soundfile.write(path, noise(RATE_HZ), RATE_HZ, "PCM_16")
    before = vocal.read_bytes(), bed.read_bytes()
    if way == "same":
        target = vocal
    elif way == "roundabout":
        (tmp_path / "sub").mkdir()
        target = tmp_path / "sub" / ".." / "vocal.wav"
    elif way == "hard link":
        os.link(vocal, target)
    elif way == "symbolic link":
        target.symlink_to(vocal)
    else:
        target = bed
    with pytest.raises(OutputIsSourceError, match=r"\.wav is a source and is never written over"):
        render_stem(vocal, target, FLAT, [bed])
    with open_pair(vocal, [bed]) as pair, pytest.raises(OutputIsSourceError):
        render_mix(pair, target, FLAT)
    assert (vocal.read_bytes(), bed.read_bytes()) == before


class TestNothingIsLeft:
    @pytest.fixture
    def vocal(self, tmp_path, noise):
        path = tmp_path / "vocal.wav"
        soundfile.write(path, noise(20 * RATE_HZ), RATE_HZ, "PCM_16")
        return path

    @pytest.fixture
    def target(self, tmp_path):
        path = tmp_path / "ridden.wav"
        path.write_text("the one before")
        yield path
        assert path.read_text() == "the one before"
        assert sorted(path.name for path in tmp_path.iterdir()) == ["ridden.wav", "vocal.wav"]

    def test_when_cancelled(self, vocal, target):
        asked = []

        def cancelled():
            asked.append(len(asked))
            return len(asked) == 3

        assert render_stem(vocal, target, held(-1.0), cancelled=cancelled) is None
        assert len(asked) == 3

    @pytest.mark.parametrize("place", ["progress", "observer"])
    def test_when_a_callback_raises(self, vocal, target, place):
        def fail(_):
            raise RuntimeError("stop here")

        with pytest.raises(RuntimeError, match="stop here"):
            render_stem(vocal, target, held(-1.0), **{place: fail})

    def test_when_the_vocal_breaks_off(self, vocal, target):
        def cut(_):
            os.truncate(vocal, 30 * RATE_HZ)

        with pytest.raises(SourceUnreadableError, match=r"vocal\.wav is broken"):
            render_stem(vocal, target, FLAT, progress=cut)

    def test_when_the_vocal_holds_what_is_no_number(self, vocal, target, noise):
        samples = noise(10 * RATE_HZ)
        samples[400_000] = np.nan
        soundfile.write(vocal, samples, RATE_HZ, "FLOAT")
        with pytest.raises(SourceUnusableError, match="frame 400000"):
            render_stem(vocal, target, FLAT)

    def test_when_the_disk_is_full(self, vocal, target):
        resource = pytest.importorskip("resource", reason="limits of file size are set by POSIX systems alone")
        limits = resource.getrlimit(resource.RLIMIT_FSIZE)
        resource.setrlimit(resource.RLIMIT_FSIZE, (1_000_000, limits[1]))
        try:
            with pytest.raises(OutputError, match=r"ridden\.wav cannot be written"):
                render_stem(vocal, target, FLAT)
        finally:
            resource.setrlimit(resource.RLIMIT_FSIZE, limits)


def test_the_file_has_the_rights_of_any_new_file(tmp_path, noise):
    vocal, target, plain = tmp_path / "vocal.wav", tmp_path / "ridden.wav", tmp_path / "plain"
    soundfile.write(vocal, noise(RATE_HZ), RATE_HZ, "PCM_16")
    plain.touch()
    render_stem(vocal, target, FLAT)
    assert stat.S_IMODE(target.stat().st_mode) == stat.S_IMODE(plain.stat().st_mode)


class TestMix:
    def pair(self, tmp_path, wave_file, noise, shift_n=0, channels_n=1, beds_n=1):
        vocal = wave_file(tmp_path / "vocal.wav", 0.3 * noise(RATE_HZ, channels_n), time_reference_n=9_000)
        beds = [
            wave_file(tmp_path / f"bed{i}.wav", 0.3 * noise(RATE_HZ, 2, seed=i + 5), time_reference_n=9_000 + shift_n)
            for i in range(beds_n)
        ]
        return open_pair(vocal, beds)

    @pytest.mark.parametrize("shift_n", [0, 700, -700])
    def test_at_0_db_it_is_the_sum(self, tmp_path, wave_file, noise, shift_n):
        with self.pair(tmp_path, wave_file, noise, shift_n, beds_n=2) as pair:
            report = render_mix(pair, tmp_path / "mix.wav", FLAT)
            expected = np.zeros((RATE_HZ + abs(shift_n), 2))
            first_n = min(shift_n, 0)
            expected[-first_n:][:RATE_HZ] += samples_of(pair.vocal.path)
            for bed in pair.beds:
                expected[shift_n - first_n :][:RATE_HZ] += samples_of(bed.path)
        assert (report.subtype, report.frames_n, report.channels_n) == ("PCM_24", RATE_HZ + abs(shift_n), 2)
        assert np.array_equal(samples_of(tmp_path / "mix.wav"), expected)

    @pytest.mark.parametrize("channels_n", [1, 2])
    def test_ridden_by_the_curve_and_the_centre_law(self, tmp_path, wave_file, noise, channels_n):
        curve = GainCurve(np.array([10_000, 30_000, 40_000]), np.array([0.0, -6.0, 3.0]))
        with self.pair(tmp_path, wave_file, noise, channels_n=channels_n) as pair:
            seen = []
            render_mix(pair, tmp_path / "mix.wav", curve, -3.0, observer=lambda block: seen.append(block.copy()))
            law = 10.0 ** (-3.0 / 20.0) if channels_n == 1 else 1.0
            gain = 10.0 ** (np.interp(np.arange(RATE_HZ), curve.frames, curve.gains_db)[:, None] / 20.0)
            expected = samples_of(pair.vocal.path) * law * gain + samples_of(pair.beds[0].path)
            bed_and_vocal = samples_of(pair.vocal.path) + samples_of(pair.beds[0].path)
        out = samples_of(tmp_path / "mix.wav")
        assert np.abs(out - expected).max() <= 1.5 * STEP_24 * (1 + 1e-6)
        assert np.abs(np.concatenate(seen) - out).max() <= 0.5 * STEP_24 + 2.0**-24
        if channels_n == 2:
            assert np.array_equal(out[:10_001], bed_and_vocal[:10_001])

    @pytest.mark.parametrize(
        ("subtype", "out_subtype"), [("FLOAT", "FLOAT"), ("PCM_32", "FLOAT"), ("PCM_24", "PCM_24")]
    )
    def test_float_where_a_source_is_wider_than_24_bits(self, tmp_path, noise, subtype, out_subtype):
        vocal, bed = tmp_path / "vocal.wav", tmp_path / "bed.wav"
        soundfile.write(vocal, 0.3 * noise(RATE_HZ), RATE_HZ, "PCM_16")
        soundfile.write(bed, 0.3 * noise(RATE_HZ, seed=2), RATE_HZ, subtype)
        with open_pair(vocal, [bed]) as pair:
            assert render_mix(pair, tmp_path / "mix.wav", FLAT).subtype == out_subtype
        assert np.abs(samples_of(tmp_path / "mix.wav") - samples_of(vocal) - samples_of(bed)).max() < 2.0**-24

    def test_the_centre_law_leaves_a_mono_bed_alone(self, tmp_path, noise):
        vocal, mono, wide = (tmp_path / name for name in ("vocal.wav", "mono.wav", "wide.wav"))
        for i, (path, channels_n) in enumerate(((vocal, 1), (mono, 1), (wide, 2))):
            soundfile.write(path, 0.2 * noise(RATE_HZ, channels_n, seed=i), RATE_HZ, "FLOAT")
        with open_pair(vocal, [mono, wide]) as pair:
            render_mix(pair, tmp_path / "mix.wav", FLAT, -6.0)
        expected = samples_of(vocal) * 10 ** (-6 / 20) + samples_of(mono) + samples_of(wide)
        assert np.abs(samples_of(tmp_path / "mix.wav") - expected).max() < 2.0**-23

    def test_several_versions_are_what_each_is_alone(self, tmp_path, wave_file, noise):
        curve = GainCurve(np.array([10_000, 30_000]), np.array([0.0, -6.0]))
        versions = {"mix.wav": (0.0,), "up.wav": (1.0,), "bed.flac": None}
        with self.pair(tmp_path, wave_file, noise, shift_n=-700) as pair:
            reports = render_mixes(
                pair, [MixVersion(tmp_path / name, gains_db) for name, gains_db in versions.items()], [curve]
            )
            for name, gains_db in versions.items():
                render_mixes(pair, [MixVersion(tmp_path / f"alone_{name}", gains_db)], [curve])
        assert [report.path.name for report in reports] == list(versions)
        for name in versions:
            assert np.array_equal(
                samples_of(tmp_path / name, "int32"), samples_of(tmp_path / f"alone_{name}", "int32")
            ), name
        voice, louder = (samples_of(tmp_path / name) - samples_of(tmp_path / "bed.flac") for name in list(versions)[:2])
        assert np.abs(louder - voice * 10 ** (1 / 20)).max() < 5 * STEP_24
        assert np.array_equal(samples_of(tmp_path / "bed.flac")[:RATE_HZ], samples_of(tmp_path / "bed0.wav"))

    def test_surround(self, tmp_path, noise):
        vocal, bed = tmp_path / "vocal.wav", tmp_path / "bed.wav"
        soundfile.write(vocal, 0.3 * noise(RATE_HZ), RATE_HZ, "PCM_16")
        soundfile.write(bed, 0.3 * noise(RATE_HZ, 6, seed=2), RATE_HZ, "PCM_24")
        with open_pair(vocal, [bed]) as pair:
            render_mix(pair, tmp_path / "mix.wav", FLAT)
        expected = samples_of(bed)
        expected[:, :2] += samples_of(vocal)
        assert np.array_equal(samples_of(tmp_path / "mix.wav"), expected)
        assert read_info(tmp_path / "mix.wav").layout == "5.1"

    def test_cancelled(self, tmp_path, wave_file, noise):
        with self.pair(tmp_path, wave_file, noise) as pair:
            assert render_mix(pair, tmp_path / "mix.wav", FLAT, cancelled=lambda: True) is None
        assert not (tmp_path / "mix.wav").exists()
