"""What an audio file is, and its frames as they are in it.

Everything that libsndfile reads is read here: WAV, RF64, W64, AIFF, FLAC, OGG, MP3 and more, at any bit
depth. Channels come out in the order of WAVE_FORMAT_EXTENSIBLE (left, right, centre, low frequency, left
surround, right surround), whatever the order in the file.
"""

from __future__ import annotations

import hashlib
import os
import struct
from collections.abc import Iterator
from contextlib import suppress
from dataclasses import dataclass
from enum import StrEnum
from io import BufferedReader
from pathlib import Path
from types import TracebackType
from typing import Literal

import numpy as np
import soundfile

from ridebook.audio.chunks import wave_chunks
from ridebook.audio.mpeg import stream_samples_n
from ridebook.errors import SourceUnreadableError, SourceUnusableError

MIN_RATE_HZ = 8_000
MAX_RATE_HZ = 192_000
MIN_LENGTH_S = 0.4
"""One gating block of ITU-R BS.1770-5 Annex 1: nothing shorter has a loudness."""

_LOSSLESS_BITS = {
    "PCM_S8": 8, "PCM_U8": 8, "PCM_16": 16, "PCM_24": 24, "PCM_32": 32, "FLOAT": 32, "DOUBLE": 64,
    "ALAC_16": 16, "ALAC_20": 20, "ALAC_24": 24, "ALAC_32": 32,
}  # fmt: skip
_FLOAT_SUBTYPES = frozenset({"FLOAT", "DOUBLE"})

_DECODER_TAIL_N = 2 * 1152
"""A lossy file may hold so many frames fewer than it says, as its decoder's delay takes some away: two MPEG frames."""

_ENCODER_PAD_N = 2 * 4096
"""An MP3 file may hold so many samples more than it says, as its encoder's delay and padding are cut off."""

SampleType = Literal["int32", "float32", "float64"]


class Layout(StrEnum):
    """Channels of a file or a mix, in the order of WAVE_FORMAT_EXTENSIBLE."""

    MONO = "mono"
    STEREO = "stereo"
    SURROUND_5_0 = "5.0"
    SURROUND_5_1 = "5.1"

    @property
    def channels_n(self) -> int:
        """Number of channels."""
        return len(_WEIGHTS[self])

    @property
    def weights(self) -> np.ndarray:
        """Channel weights of ITU-R BS.1770-5 Annex 1 Table 3, float64, shape (channels,).

        The low-frequency channel does not count.
        """
        return np.array(_WEIGHTS[self])


_WEIGHTS = {
    Layout.MONO: (1.0,),
    Layout.STEREO: (1.0, 1.0),
    Layout.SURROUND_5_0: (1.0, 1.0, 1.0, 1.41, 1.41),
    Layout.SURROUND_5_1: (1.0, 1.0, 1.0, 0.0, 1.41, 1.41),
}
_LAYOUT_OF_COUNT = {1: Layout.MONO, 2: Layout.STEREO, 5: Layout.SURROUND_5_0, 6: Layout.SURROUND_5_1}

# Bits of dwChannelMask (Microsoft, WAVEFORMATEXTENSIBLE): FL 1, FR 2, FC 4, LFE 8, BL 10h, BR 20h, SL 200h, SR 400h.
_LAYOUT_OF_MASK = {
    0x37: Layout.SURROUND_5_0,
    0x607: Layout.SURROUND_5_0,
    0x3F: Layout.SURROUND_5_1,
    0x60F: Layout.SURROUND_5_1,
}

# Vorbis I specification, 4.3.9, and RFC 7845, 5.1.1.2: left, centre, right, rear left, rear right, low frequency.
# libsndfile hands the channels out in that order.
_VORBIS_ORDER = {5: (0, 2, 1, 3, 4), 6: (0, 2, 1, 5, 3, 4)}


@dataclass(frozen=True, slots=True)
class FileInfo:
    """What an audio file is.

    Parameters
    ----------
    path : Path
        As it was given.
    rate_hz, channels_n, frames_n : int
        Sample rate, channels, frames.
    container, subtype : str
        libsndfile's names, for example ``WAV`` and ``PCM_24``.
    bits_n : int
        Bits of a sample as stored; 0 for a lossy file.
    lossy : bool
        The decoded samples are not the ones that were encoded.
    layout : Layout
        Which channel is which.
    time_reference_n : int or None
        First frame of the file as frames since midnight at the file's own rate, of a broadcast wave file
        (EBU Tech 3285, bext chunk, TimeReference); None where there is none.
    """

    path: Path
    rate_hz: int
    channels_n: int
    frames_n: int
    container: str
    subtype: str
    bits_n: int
    lossy: bool
    layout: Layout
    time_reference_n: int | None = None

    @property
    def floating(self) -> bool:
        """Samples are stored as floating point numbers."""
        return self.subtype in _FLOAT_SUBTYPES

    @property
    def length_s(self) -> float:
        """Length in seconds."""
        return self.frames_n / self.rate_hz


def read_info(path: str | os.PathLike[str]) -> FileInfo:
    """Read from its header what the audio file at `path` is.

    Raises
    ------
    SourceUnreadableError
        The file is missing, may not be read, is a folder, or is not audio.
    SourceUnusableError
        It has no frames or too few to measure, a sample rate outside 8 to 192 kHz, or channels that are
        neither mono, stereo, 5.0 nor 5.1.
    """
    with FrameReader(path) as reader:
        return reader.info


def file_sha256(path: str | os.PathLike[str]) -> str:
    """SHA-256 of the file's bytes, in hexadecimal digits.

    Raises
    ------
    SourceUnreadableError
        The file is missing or may not be read.
    """
    with _opened(Path(path)) as file:
        try:
            return hashlib.file_digest(file, "sha256").hexdigest()
        except OSError as error:
            raise SourceUnreadableError(f"{path} cannot be read to its end: {error.strerror}") from error


class FrameReader:
    """Frames of one audio file, sequentially or from any frame on. Not for two threads at once.

    Raises
    ------
    SourceUnreadableError, SourceUnusableError
        As `read_info`.
    """

    def __init__(self, path: str | os.PathLike[str]):
        self._path = Path(path)
        with _opened(self._path) as file:
            header = _read_wave_header(file)
        try:
            self._file = soundfile.SoundFile(self._path)
        except (soundfile.SoundFileError, TypeError) as error:
            # A TypeError comes for a name that ends in .raw: samples without a header say nothing about themselves.
            raise SourceUnreadableError(
                f"{self._path} is not audio that can be read here ({_reason(error)}); "
                "give a WAV, RF64, W64, AIFF, FLAC, OGG or MP3 file"
            ) from error
        try:
            self.info = _info_of(self._path, self._file, header)
        except BaseException:
            self._file.close()
            raise
        self._order = _VORBIS_ORDER.get(self.info.channels_n) if self.info.container == "OGG" else None
        self._at_n = 0

    def __enter__(self) -> FrameReader:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        """Let go of the file."""
        self._file.close()

    def read_into(self, out: np.ndarray, start_n: int) -> None:
        """Fill `out` with the frames from `start_n` on.

        Parameters
        ----------
        out : ndarray
            int32 (full scale 2^31, exact for PCM), float32 or float64 (full scale 1.0), shape (frames, channels),
            C-contiguous. The file must have all these frames.
        start_n : int
            First frame.

        Raises
        ------
        SourceUnreadableError
            The file ends early or is broken there.
        """
        done_n = 0
        try:
            if start_n != self._at_n:
                self._file.seek(start_n)
            done_n = len(self._file.read(out=out))
        except soundfile.SoundFileError as error:
            self._at_n = -1
            raise SourceUnreadableError(
                f"{self._path} is broken, {self._time(start_n)} from its start or later ({_reason(error)}); "
                "take a sound copy of it"
            ) from error
        self._at_n = start_n + done_n
        if self.info.lossy and 0 < len(out) - done_n <= _DECODER_TAIL_N:
            out[done_n:] = 0
        elif done_n < len(out):
            raise SourceUnreadableError(
                f"{self._path} is broken: it ends {self._time(self._at_n)} from its start, but says that it is "
                f"{self._time(self.info.frames_n)} long; take a sound copy of it"
            )
        if self._order is not None:
            out[:] = out[:, self._order]

    def blocks(self, block_n: int, sample_type: SampleType) -> Iterator[tuple[int, np.ndarray]]:
        """All frames in order, in blocks of `block_n` and a shorter last one, each with its first frame."""
        for start_n in range(0, self.info.frames_n, block_n):
            length_n = min(block_n, self.info.frames_n - start_n)
            out = np.empty((length_n, self.info.channels_n), dtype=sample_type)
            self.read_into(out, start_n)
            yield start_n, out

    def _time(self, frame_n: int) -> str:
        return f"{frame_n / self.info.rate_hz:.3f} s"


def _opened(path: Path) -> BufferedReader:
    """Open `path` for reading, with the errors that a user can understand."""
    try:
        return path.open("rb")
    except FileNotFoundError as error:
        raise SourceUnreadableError(f"{path} is not there; check the name and the folder") from error
    except PermissionError as error:
        if path.is_dir():  # what Windows answers for a folder
            raise SourceUnreadableError(f"{path} is a folder; give an audio file") from error
        raise SourceUnreadableError(f"{path} may not be read; check its permissions") from error
    except IsADirectoryError as error:
        raise SourceUnreadableError(f"{path} is a folder; give an audio file") from error
    except (OSError, ValueError) as error:
        raise SourceUnreadableError(f"{path} cannot be opened: {error}") from error


def _reason(error: Exception) -> str:
    text = getattr(error, "error_string", None) or str(error)
    return str(text).strip().rstrip(".") or "no reason given"


def _info_of(path: Path, file: soundfile.SoundFile, header: _WaveHeader) -> FileInfo:
    bits_n = _LOSSLESS_BITS.get(file.subtype, 0)
    info = FileInfo(
        path=path,
        rate_hz=file.samplerate,
        channels_n=file.channels,
        frames_n=file.frames if header.frames_n is None else min(file.frames, header.frames_n),
        container=file.format,
        subtype=file.subtype,
        bits_n=bits_n,
        lossy=bits_n == 0,
        layout=_layout_of(path, file.channels, header.channel_mask),
        time_reference_n=header.time_reference_n,
    )
    if not MIN_RATE_HZ <= info.rate_hz <= MAX_RATE_HZ:
        raise SourceUnusableError(
            f"{path} has a sample rate of {info.rate_hz} Hz; rates from 8 to 192 kHz can be used, so convert it first"
        )
    if info.frames_n <= 0:
        raise SourceUnusableError(f"{path} has no frames; export it again")
    if info.frames_n >= 2**62:  # what libsndfile says where a streamed FLAC leaves its length open
        raise SourceUnusableError(f"{path} does not say in its header how long it is; save it again as a file")
    if info.container == "MP3":
        more_n = stream_samples_n(path.read_bytes()) - info.frames_n
        if not -_DECODER_TAIL_N <= more_n <= _ENCODER_PAD_N:
            raise SourceUnusableError(
                f"{path} is {'longer' if more_n > 0 else 'shorter'} than its header says; take a sound copy of it, or "
                "convert it to WAV or FLAC first"
            )
    if info.length_s < MIN_LENGTH_S:
        raise SourceUnusableError(
            f"{path} is {info.length_s:.3f} s long, too short to measure; loudness needs at least {MIN_LENGTH_S} s"
        )
    return info


def _layout_of(path: Path, channels_n: int, mask: int) -> Layout:
    layout = _LAYOUT_OF_COUNT.get(channels_n)
    if layout is not None and channels_n > 2 and mask:
        layout = _LAYOUT_OF_MASK.get(mask)
        if layout is not None and layout.channels_n != channels_n:
            layout = None
    if layout is None:
        which = f" with channel mask {mask:#x}" if mask else ""
        raise SourceUnusableError(
            f"{path} has {channels_n} channels{which}; only mono, stereo, 5.0 and 5.1 can be used, "
            "so export it as one of these"
        )
    return layout


@dataclass(frozen=True, slots=True)
class _WaveHeader:
    channel_mask: int = 0
    time_reference_n: int | None = None
    frames_n: int | None = None


_WAVE_FORMAT_PCM = 0x0001
_WAVE_FORMAT_IEEE_FLOAT = 0x0003
_WAVE_FORMAT_EXTENSIBLE = 0xFFFE
_BEXT_TIME_REFERENCE_AT = 256 + 32 + 32 + 10 + 8  # after Description, Originator, its Reference, date and time


def _read_wave_header(file: BufferedReader) -> _WaveHeader:
    """Channel mask and time reference of a RIFF, RF64 or W64 file; nothing of any other or of a broken one.

    Of an uncompressed W64 file also the frames, as libsndfile takes chunks that follow the samples for more of them.

    Sources: EBU Tech 3285 (bext chunk), Microsoft's WAVEFORMATEXTENSIBLE.
    """
    mask, reference_n, frames_n = 0, None, None
    frame_bytes_n = 0
    with suppress(struct.error, OSError, OverflowError):
        kind = file.read(4)
        if kind == b"FORM":
            return _WaveHeader()
        for name, start, size_n in wave_chunks(file):
            if name in (b"fmt ", b"bext"):
                file.seek(start)
                data = file.read(min(size_n, 1024))
            if name == b"fmt ":
                (tag,) = struct.unpack_from("<H", data)
                if tag in (_WAVE_FORMAT_PCM, _WAVE_FORMAT_IEEE_FLOAT, _WAVE_FORMAT_EXTENSIBLE):
                    (frame_bytes_n,) = struct.unpack_from("<H", data, 12)
                if tag == _WAVE_FORMAT_EXTENSIBLE:
                    (mask,) = struct.unpack_from("<I", data, 20)
            elif name == b"bext":
                (reference_n,) = struct.unpack_from("<Q", data, _BEXT_TIME_REFERENCE_AT)
            elif name == b"data" and frame_bytes_n and kind == b"riff":
                frames_n = size_n // frame_bytes_n
    return _WaveHeader(mask, reference_n, frames_n)
