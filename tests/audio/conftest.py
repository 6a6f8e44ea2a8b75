from __future__ import annotations

import struct
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest


def _bext(time_reference_n: int) -> bytes:
    """The bext chunk's fields by EBU Tech 3285 v2, clause 2.3: 256 + 32 + 32 + 10 + 8 bytes of text, the time reference
    in two 32-bit words, low one first, version, UMID, five loudness words, 180 bytes reserved."""
    text = (
        b"a take".ljust(256, b"\0") + b"a desk".ljust(32, b"\0") + b"R1".ljust(32, b"\0") + b"2024-02-29" + b"10:11:12"
    )
    low, high = time_reference_n & 0xFFFFFFFF, time_reference_n >> 32
    return text + struct.pack("<IIH", low, high, 2) + bytes(64 + 10 + 180)


def _riff_chunk(name: bytes, data: bytes) -> bytes:
    return name + struct.pack("<I", len(data)) + data + b"\0" * (len(data) % 2)


def _w64_chunk(name: bytes, data: bytes) -> bytes:
    guid = name + bytes.fromhex("F3ACD3118CD100C04F8EDB8A")
    return guid + struct.pack("<Q", 24 + len(data)) + data + b"\0" * (-len(data) % 8)


def _wave_file(
    path: Path,
    samples: np.ndarray,
    rate_hz: int = 48_000,
    time_reference_n: int | None = None,
    kind: str = "RIFF",
    channel_mask: int | None = None,
    bext_last: bool = False,
) -> Path:
    """A 16-bit wave file made of bytes, so that the reader is not checked against the library that it uses.

    kind is RIFF, RF64 (EBU Tech 3306) or W64; samples are float, shape (frames, channels).
    """
    channels_n = samples.shape[1]
    data = np.round(samples * 32767).astype("<i2").tobytes()
    fmt = struct.pack("<HHIIHH", 1, channels_n, rate_hz, rate_hz * channels_n * 2, channels_n * 2, 16)
    if channel_mask is not None:
        pcm = bytes.fromhex("0100000000001000800000AA00389B71")
        fmt = struct.pack("<H", 0xFFFE) + fmt[2:] + struct.pack("<HHI", 22, 16, channel_mask) + pcm
    # libsndfile 1.2.2 stumbles over an unknown chunk of odd length in RF64: it does not skip the byte of padding.
    unknown = b"1234" if kind == "RF64" else b"123"
    chunks = [(b"fmt ", fmt), (b"odd ", unknown), (b"data", data)]
    if time_reference_n is not None:
        chunks.insert(3 if bext_last else 1, (b"bext", _bext(time_reference_n)))
    if kind == "W64":
        body = b"".join(_w64_chunk(name, content) for name, content in chunks)
        riff = b"riff" + bytes.fromhex("2E91CF11A5D628DB04C10000")
        wave = b"wave" + bytes.fromhex("F3ACD3118CD100C04F8EDB8A")
        path.write_bytes(riff + struct.pack("<Q", 40 + len(body)) + wave + body)
        return path
    body = b"".join(_riff_chunk(name, content) for name, content in chunks)
    if kind == "RF64":
        body = body.replace(b"data" + struct.pack("<I", len(data)), b"data\xff\xff\xff\xff")
        sizes = struct.pack("<QQQI", 4 + 36 + len(body), len(data), len(samples), 0)
        path.write_bytes(b"RF64\xff\xff\xff\xffWAVE" + _riff_chunk(b"ds64", sizes) + body)
        return path
    path.write_bytes(b"RIFF" + struct.pack("<I", 4 + len(body)) + b"WAVE" + body)
    return path


@pytest.fixture(scope="session")
def wave_file() -> Callable[..., Path]:
    return _wave_file


@pytest.fixture
def noise() -> Callable[..., np.ndarray]:
    def made(frames_n: int, channels_n: int = 1, seed: int = 1) -> np.ndarray:
        return np.clip(0.2 * np.random.default_rng(seed).standard_normal((frames_n, channels_n)), -0.99, 0.99)

    return made
