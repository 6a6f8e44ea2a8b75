"""Stems: a vocal and its beds on one clock, at one sample rate, read by blocks.

A lossless file at the vocal's rate is read where it lies. A lossy or resampled one is decoded once, as far
as it is asked for, into a temporary file, so that every read is exact to the sample.
"""

from __future__ import annotations

import os
import tempfile
import threading
from collections.abc import Iterator, Sequence
from fractions import Fraction
from pathlib import Path
from types import TracebackType
from typing import Protocol

import numpy as np
import soxr

from ridebook.audio.files import FileInfo, FrameReader, Layout
from ridebook.audio.output import is_same_file
from ridebook.errors import OutputError, SourceUnusableError

SILENT_PEAK = 2.0**-15
"""A stem with no sample over this is silent: the height of 16-bit dither, -90 dBFS (a choice of this program)."""

BLOCK_N = 1 << 16
"""Frames of a block where nothing else decides."""


class Stem:
    """One file on the pair's clock. May be read from several threads.

    Every read raises `SourceUnusableError` where the file holds NaN or infinity. Whether a stem is all
    silence is known only when it has been read through: then ask `StemPair.check_sound`.

    Parameters
    ----------
    source : FrameSource
        Where the frames come from, at the pair's rate.
    start_n : int
        Frame on the pair's clock at which the file begins.
    """

    def __init__(self, source: FrameSource, start_n: int = 0):
        self._source = source
        self._lock = threading.Lock()
        self.info: FileInfo = source.info
        self.layout: Layout = source.info.layout
        self.rate_hz: int = source.rate_hz
        self.start_n = start_n
        self.end_n = start_n + source.frames_n
        self.heard = False
        """A sample over `SILENT_PEAK` has been read."""

    @property
    def path(self) -> Path:
        """The file."""
        return self.info.path

    @property
    def resampled(self) -> bool:
        """The file has another rate than the pair."""
        return self.rate_hz != self.info.rate_hz

    @property
    def stored(self) -> bool:
        """The samples are the file's own, neither decoded with loss nor resampled."""
        return not self.info.lossy and not self.resampled

    def read(self, start_n: int, stop_n: int) -> np.ndarray:
        """Frames `start_n` to `stop_n` (not included) of the pair's clock; silence outside the file.

        Returns
        -------
        ndarray
            float32, shape (frames, channels), full scale 1.0, the caller's own.

        Raises
        ------
        SourceUnreadableError
            The file is broken or ends early.
        SourceUnusableError
            A sample is NaN or infinite.
        """
        out = np.empty((max(stop_n - start_n, 0), self.layout.channels_n), dtype=np.float32)
        first_n = min(max(self.start_n - start_n, 0), len(out))
        last_n = max(min(self.end_n - start_n, len(out)), first_n)
        out[:first_n] = 0.0
        out[last_n:] = 0.0
        if last_n > first_n:
            inner = out[first_n:last_n]
            with self._lock:
                self._source.read_into(inner, start_n + first_n - self.start_n)
            if not self.heard and (inner.max() > SILENT_PEAK or inner.min() < -SILENT_PEAK):
                self.heard = True
        return out

    def blocks(self, block_n: int = BLOCK_N) -> Iterator[tuple[int, np.ndarray]]:
        """All frames of the file in order, each block with its first frame on the pair's clock.

        Raises
        ------
        SourceUnreadableError
            The file is broken or ends early.
        SourceUnusableError
            A sample is NaN or infinite; or, after the last block, the whole file was silent.
        """
        for start_n in range(self.start_n, self.end_n, block_n):
            yield start_n, self.read(start_n, min(start_n + block_n, self.end_n))
        if not self.heard:
            raise SourceUnusableError(_silence(self.path))

    def close(self) -> None:
        """Let go of the file and of what was decoded of it."""
        with self._lock:
            self._source.close()

    def __enter__(self) -> Stem:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()


class StemPair:
    """A vocal and its beds on one clock, whose frame 0 is the vocal's first frame. Made by `open_pair`.

    Parameters
    ----------
    vocal : Stem
        The lead vocal.
    beds : tuple of Stem
        All the rest of the mix.
    notices : tuple of str
        What was done to bring the files together, as sentences for the user.
    followers : tuple of Stem
        Other vocals, which sound in the mix beside these and are not measured.
    """

    def __init__(
        self, vocal: Stem, beds: tuple[Stem, ...], notices: tuple[str, ...] = (), followers: tuple[Stem, ...] = ()
    ):
        self.vocal = vocal
        self.beds = beds
        self.notices = notices
        self.followers = followers

    @property
    def stems(self) -> tuple[Stem, ...]:
        """What is measured: the vocal, then the beds."""
        return (self.vocal, *self.beds)

    @property
    def sounding(self) -> tuple[Stem, ...]:
        """What the mix is made of: the vocal, the beds, then the followers."""
        return (*self.stems, *self.followers)

    @property
    def rate_hz(self) -> int:
        """The vocal's sample rate."""
        return self.vocal.rate_hz

    @property
    def frames_n(self) -> int:
        """Length of the vocal in frames."""
        return self.vocal.end_n

    @property
    def mix_start_n(self) -> int:
        """First frame of the mix; negative where a bed begins before the vocal."""
        return min(stem.start_n for stem in self.sounding)

    @property
    def mix_end_n(self) -> int:
        """Frame after the last of the mix."""
        return max(stem.end_n for stem in self.sounding)

    @property
    def mix_layout(self) -> Layout:
        """The widest layout among the files."""
        return max((stem.layout for stem in self.sounding), key=lambda layout: layout.channels_n)

    def check_sound(self) -> tuple[str, ...]:
        """Say what of the pair is silent.

        To be asked after the vocal and all beds have been read over the vocal's length.

        Returns
        -------
        tuple of str
            A sentence for each silent bed beside others that sound.

        Raises
        ------
        SourceUnusableError
            The vocal is silent, or all beds are while it lasts: there is no balance to measure.
        """
        if not self.vocal.heard:
            raise SourceUnusableError(_silence(self.vocal.path))
        silent = [bed for bed in self.beds if not bed.heard]
        if silent and len(silent) == len(self.beds):
            names = ", ".join(str(bed.path) for bed in silent)
            raise SourceUnusableError(
                f"{names}: nothing but silence while the vocal lasts, so there is no balance to measure; "
                "check which file was exported"
            )
        return tuple(f"{bed.path.name} is silent while the vocal lasts and changes nothing." for bed in silent)

    def close(self) -> None:
        """Let go of all files and of what was decoded of them."""
        for stem in self.sounding:
            stem.close()

    def __enter__(self) -> StemPair:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()


def open_stem(path: str | os.PathLike[str], rate_hz: int | None = None, start_n: int = 0) -> Stem:
    """Open one file as a stem.

    Parameters
    ----------
    path : path-like
        The file.
    rate_hz : int, optional
        Rate to resample to; the file's own where it is left out.
    start_n : int
        Frame at that rate at which the file begins.

    Raises
    ------
    SourceUnreadableError, SourceUnusableError
        As `ridebook.audio.files.read_info`.
    """
    reader = FrameReader(path)
    wanted_hz = rate_hz or reader.info.rate_hz
    if reader.info.lossy or wanted_hz != reader.info.rate_hz:
        return Stem(_DecodedFrames(reader, wanted_hz), start_n)
    return Stem(_StoredFrames(reader), start_n)


def open_pair(
    vocal: str | os.PathLike[str],
    beds: Sequence[str | os.PathLike[str]],
    followers: Sequence[str | os.PathLike[str]] = (),
) -> StemPair:
    """Open a vocal and its beds and bring them onto one clock. Reads headers alone.

    Beds and followers are resampled to the vocal's rate, placed by the difference of the files' broadcast-wave time
    references where vocal and bed have them, and start with the vocal where not.

    Parameters
    ----------
    vocal : path-like
        The lead vocal.
    beds : sequence of path-like
        The rest of the mix, one file or more.
    followers : sequence of path-like
        Other vocals that sound in the mix.

    Returns
    -------
    StemPair
        A context manager; `StemPair.notices` tells what was done.

    Raises
    ------
    SourceUnreadableError, SourceUnusableError
        As `ridebook.audio.files.read_info`, for whichever file it is.
    """
    if not beds:
        raise SourceUnusableError(f"{vocal} has no bed; give at least one file with the rest of the mix")
    opened: list[Stem] = []
    notices: list[str] = []
    try:
        opened.append(open_stem(vocal))
        lead = opened[0]
        for path in (*beds, *followers):
            stem = open_stem(path, lead.rate_hz)
            opened.append(stem)
            stem_start_n, notice = _placed(lead, stem)
            stem.start_n += stem_start_n
            stem.end_n += stem_start_n
            notices += _what_differs(lead, stem) + notice
        notices += _same_files(opened[: 1 + len(beds)])
    except BaseException:
        for stem in opened:
            stem.close()
        raise
    beds_end = 1 + len(beds)
    return StemPair(lead, tuple(opened[1:beds_end]), tuple(notices), tuple(opened[beds_end:]))


def placement(source: Layout, mix: Layout, centre_law_db: float = 0.0) -> np.ndarray:
    """Gains with which each channel of a stem goes to each channel of the mix.

    A mono stem goes to left and right alike, each `centre_law_db` under its own level (0, -3, -4.5 or -6: common
    practice, no source). Stereo goes to left and right of a surround mix, 5.0 to the same channels of 5.1.
    Surround goes to stereo by ITU-R BS.775-3 Annex 4 (centre and surrounds at 0.7071, low-frequency channel left out).

    Returns
    -------
    ndarray
        float64, shape (source channels, mix channels).

    Raises
    ------
    ValueError
        There is no rule to bring `source` into `mix`.
    """
    matrix = np.zeros((source.channels_n, mix.channels_n))
    if source is mix:
        return np.eye(source.channels_n)
    if source is Layout.MONO:
        matrix[0, :2] = 10.0 ** (centre_law_db / 20.0)
    elif source is Layout.STEREO and mix is not Layout.MONO:
        matrix[:, :2] = np.eye(2)
    elif source is Layout.SURROUND_5_0 and mix is Layout.SURROUND_5_1:
        matrix[range(5), (0, 1, 2, 4, 5)] = 1.0
    elif mix is Layout.STEREO:
        matrix[:2] = np.eye(2)
        matrix[2] = matrix[-2, 0] = matrix[-1, 1] = np.sqrt(0.5)
    else:
        raise ValueError(f"there is no rule to bring {source} into {mix}")
    return matrix


class FrameSource(Protocol):
    """Frames of one file at the pair's rate, from any frame on."""

    info: FileInfo
    rate_hz: int
    frames_n: int

    def read_into(self, out: np.ndarray, start_n: int) -> None:
        """Fill `out`, float32, shape (frames, channels), with the frames from `start_n` on."""

    def close(self) -> None:
        """Let go of the file."""


class _StoredFrames:
    """A lossless file at the pair's rate, read where it lies."""

    def __init__(self, reader: FrameReader):
        self.info = reader.info
        self.rate_hz = reader.info.rate_hz
        self.frames_n = reader.info.frames_n
        self._reader = reader

    def read_into(self, out: np.ndarray, start_n: int) -> None:
        self._reader.read_into(out, start_n)
        if self.info.floating:
            check_finite(self.info, out, start_n)

    def close(self) -> None:
        self._reader.close()


class _DecodedFrames:
    """A lossy or resampled file, decoded once into a temporary file, as far as it is asked for.

    The temporary file has no name where the system allows, so that it is gone with the process however that ends.
    """

    def __init__(self, reader: FrameReader, rate_hz: int):
        self.info = reader.info
        self.rate_hz = rate_hz
        self.frames_n = round(Fraction(reader.info.frames_n * rate_hz, reader.info.rate_hz))
        self._reader = reader
        self._frame_bytes_n = 4 * reader.info.channels_n
        self._decoded = self._decode()
        self._decoded_n = 0
        try:
            self._spool = tempfile.TemporaryFile(prefix="ridebook-", buffering=0)  # noqa: SIM115 - closed by close()
        except OSError as error:
            reader.close()
            raise _no_room(reader.info, error) from error

    def read_into(self, out: np.ndarray, start_n: int) -> None:
        stop_n = start_n + len(out)
        while self._decoded_n < stop_n:
            self._append(next(self._decoded))
        self._spool.seek(start_n * self._frame_bytes_n)
        view = memoryview(out.data).cast("B")
        while view:
            view = view[self._spool.readinto(view) :]

    def close(self) -> None:
        self._reader.close()
        self._spool.close()

    def _append(self, block: np.ndarray) -> None:
        block = block[: self.frames_n - self._decoded_n]
        if not len(block):  # a resampler gives nothing until its filter is full
            return
        self._spool.seek(self._decoded_n * self._frame_bytes_n)
        try:
            view = memoryview(np.ascontiguousarray(block).data).cast("B")
            while view:
                view = view[self._spool.write(view) :]
        except OSError as error:
            raise _no_room(self.info, error) from error
        self._decoded_n += len(block)

    def _decode(self) -> Iterator[np.ndarray]:
        """Yield the file's frames at the pair's rate in order, and silence after them."""
        resampler = None
        if self.rate_hz != self.info.rate_hz:
            # soxr compensates its filter's delay: frame 0 out is frame 0 in.
            resampler = soxr.ResampleStream(
                self.info.rate_hz, self.rate_hz, self.info.channels_n, dtype="float32", quality="VHQ"
            )
        for start_n, block in self._reader.blocks(BLOCK_N, "float32"):
            check_finite(self.info, block, start_n)
            if resampler is not None:
                last = start_n + len(block) == self.info.frames_n
                block = resampler.resample_chunk(block, last=last)
            yield block
        while True:
            yield np.zeros((BLOCK_N, self.info.channels_n), dtype=np.float32)


def _no_room(info: FileInfo, error: OSError) -> OutputError:
    return OutputError(
        f"{info.path} cannot be decoded into {tempfile.tempdir or 'a temporary file'} ({error.strerror or error}); "
        "make room there or set TMPDIR to another folder"
    )


def check_finite(info: FileInfo, block: np.ndarray, start_n: int) -> None:
    """Refuse a block that holds NaN or infinity.

    Parameters
    ----------
    info : FileInfo
        The file that the block comes from.
    block : ndarray
        Floating point samples, shape (frames, channels).
    start_n : int
        First frame of the block in the file.

    Raises
    ------
    SourceUnusableError
        Names the file and the first such frame.
    """
    finite = np.isfinite(block)
    if not finite.all():
        frame_n = start_n + int(np.argmin(finite.all(axis=1)))
        raise SourceUnusableError(
            f"{info.path} holds a sample that is not a number or infinite, {frame_n / info.rate_hz:.3f} s from its "
            f"start (frame {frame_n}); export it again"
        )


def _silence(path: Path) -> str:
    return f"{path} holds nothing but silence; check which file was exported"


def _placed(lead: Stem, bed: Stem) -> tuple[int, list[str]]:
    """First frame of the bed on the vocal's clock, and what is to be told of it."""
    lead_n, bed_n = lead.info.time_reference_n, bed.info.time_reference_n
    if not lead_n and not bed_n:  # 0 is what a stem that was rendered here says when its source said nothing
        return 0, []
    if lead_n is None or bed_n is None:
        which = lead if lead_n is not None else bed
        return 0, [f"Only {which.path.name} carries a time reference, so {bed.path.name} starts with the vocal."]
    offset_s = Fraction(bed_n, bed.info.rate_hz) - Fraction(lead_n, lead.info.rate_hz)
    start_n = round(offset_s * lead.rate_hz)
    if start_n == 0:
        return 0, []
    when = f"{abs(float(offset_s)):.6f} s ({abs(start_n)} frames) {'after' if start_n > 0 else 'before'} the vocal"
    if start_n >= lead.end_n or start_n + bed.end_n <= 0:
        return 0, [
            f"By its time reference {bed.path.name} starts {when} and would not overlap it; it starts with the vocal "
            "instead."
        ]
    return start_n, [f"{bed.path.name} starts {when}, by the time references of both files."]


def _what_differs(lead: Stem, bed: Stem) -> list[str]:
    told = []
    if bed.resampled:
        told.append(f"{bed.path.name} is resampled from {bed.info.rate_hz} Hz to the vocal's {lead.rate_hz} Hz.")
    if bed.end_n - bed.start_n != lead.end_n:
        lengths = f"{bed.info.length_s:.3f} s long, the vocal {lead.info.length_s:.3f} s"
        told.append(f"{bed.path.name} is {lengths}; where one of them does not sound it counts as silence.")
    return told


def _same_files(stems: Sequence[Stem]) -> list[str]:
    told = []
    for i, stem in enumerate(stems):
        for other in stems[:i]:
            if is_same_file(stem.path, other.path):
                as_what = "as vocal and as bed" if other is stems[0] else "as bed twice"
                told.append(f"{stem.path.name} is given {as_what}; check whether that is meant.")
    return told
