from __future__ import annotations

import numpy as np
import pytest
import soundfile

from ridebook.audio.files import FrameReader, read_info
from ridebook.audio.mpeg import stream_samples_n
from ridebook.audio.stems import open_stem
from ridebook.errors import SourceUnusableError


def write_mp3(path, rate_hz, seconds=4, mode="CONSTANT", louder=True):
    """Noise that grows or falls, so that a variable bit rate varies."""
    swell = np.linspace(0.0, 0.3, seconds * rate_hz)[:: 1 if louder else -1] ** 4
    samples = swell * np.random.default_rng(1).standard_normal(len(swell))
    soundfile.write(path, samples, rate_hz, format="MP3", bitrate_mode=mode, compression_level=0.5)
    return len(samples)


def without_first_frame(content: bytes) -> bytes:
    """What is left when the frame that holds the length of the stream is cut away."""
    assert b"Xing" in content[:200] or b"Info" in content[:200]
    second = content.index(b"\xff", 100)
    while content[second + 1] & 0xE0 != 0xE0:
        second = content.index(b"\xff", second + 1)
    return content[second:]


@pytest.mark.parametrize("mode", ["CONSTANT", "VARIABLE"])
@pytest.mark.parametrize("rate_hz", [8_000, 11_025, 12_000, 16_000, 22_050, 24_000, 32_000, 44_100, 48_000])
def test_samples_of_all_frames(tmp_path, rate_hz, mode):
    path = tmp_path / "a.mp3"
    written_n = write_mp3(path, rate_hz, mode=mode)
    counted_n = stream_samples_n(path.read_bytes())
    # The delay of the encoder, the padding of the last frame and the frame with the length come on top.
    assert written_n < counted_n < written_n + 4 * 1152
    assert counted_n % (1152 if rate_hz >= 32_000 else 576) == 0


def test_tags_and_rubbish_do_not_count(tmp_path):
    path = tmp_path / "a.mp3"
    write_mp3(path, 44_100)
    plain = path.read_bytes()
    picture = b"\xff\xfb\x90\x00" * 500
    tag = b"ID3\x04\x00\x00\x00\x00" + bytes([len(picture) >> 7, len(picture) & 0x7F]) + picture
    assert stream_samples_n(tag + plain + b"TAG" + bytes(125)) == stream_samples_n(plain)
    assert stream_samples_n(b"") == stream_samples_n(b"ID3") == stream_samples_n(b"\xff\xfb") == 0


@pytest.mark.parametrize(("louder", "told"), [(True, "shorter"), (False, "longer")])
def test_a_length_that_cannot_be_known_is_refused(tmp_path, louder, told):
    path = tmp_path / "stream.mp3"
    written_n = write_mp3(path, 44_100, 8, "VARIABLE", louder)
    assert read_info(path).frames_n == written_n
    path.write_bytes(without_first_frame(path.read_bytes()))
    # libsndfile guesses by the bit rate of the first frame; were this believed, the end would be lost unheard.
    assert (soundfile.info(path).frames > written_n) == louder
    with pytest.raises(SourceUnusableError, match=rf"stream\.mp3 is {told} than its header says"):
        read_info(path)


def test_a_stream_that_is_cut_off_is_refused(tmp_path):
    path = tmp_path / "cut.mp3"
    write_mp3(path, 44_100, mode="VARIABLE")
    content = path.read_bytes()
    path.write_bytes(content[: len(content) // 2])
    with pytest.raises(SourceUnusableError, match=r"cut\.mp3 is shorter than its header says"):
        read_info(path)


def test_a_stream_of_constant_bit_rate_serves_to_its_end(tmp_path):
    path = tmp_path / "stream.mp3"
    write_mp3(path, 44_100)
    path.write_bytes(without_first_frame(path.read_bytes()))
    with open_stem(path) as stem:
        length_n = sum(len(block) for _, block in stem.blocks())
    with FrameReader(path) as reader:
        assert length_n == reader.info.frames_n == pytest.approx(4 * 44_100, abs=3 * 1152)
