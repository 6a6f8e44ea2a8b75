"""The ridden stem and the mix, written sample by sample.

Integer formats are dithered with triangular noise of two steps from peak to peak (the least that makes the mean and
the power of the error independent of the signal: Lipshitz, Wannamaker, Vanderkooy, "Quantization and Dither: A
Theoretical Survey", J. Audio Eng. Soc. 40(5), 1992). Frames at unity gain pass as they are, so that a flat lane at
0 dB gives back the samples of the source.
"""

from __future__ import annotations

import math
import os
import time
from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import Future, ThreadPoolExecutor, wait
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TypeVar

import numpy as np
import soundfile

from ridebook import __version__
from ridebook.audio.broadcast import Broadcast, BroadcastLoudness, coding_line
from ridebook.audio.chunks import (
    Extras,
    Marker,
    RawChunk,
    lay_chunks,
    placeholder,
    read_extras,
    split_by_room,
    stored_bytes_n,
)
from ridebook.audio.files import FileInfo, FrameReader, Layout, SampleType
from ridebook.audio.gain import GainCurve, scratch_samples_n
from ridebook.audio.output import check_target, written_aside
from ridebook.audio.stems import StemPair, check_finite, placement
from ridebook.errors import OutputError

BLOCK_SAMPLES_N = 1 << 18
"""Samples read or written at once, all channels together: enough that passing them between threads costs nothing."""

CHUNK_SAMPLES_N = 1 << 15
"""Samples worked on at once: few enough for the working arrays to stay in the processor's cache."""

RIFF_MAX_BYTES_N = 2**32 - 2**16
"""A WAV file whose samples and chunks take more becomes an RF64 one: RIFF counts its bytes in 32 bits, and libsndfile
cuts off what is beyond without an error."""

DITHER_SEED = 1
"""The dither is the same in every render, so that the same song gives the same bytes."""

Observer = Callable[[np.ndarray], None]
"""Fed with each block as it is written, float32, shape (frames, channels), full scale 1.0, before any clipping.

The array is used again after the call: an observer that keeps it must copy it.
"""

Ridden = Iterator[list[tuple[np.ndarray, np.ndarray | None]]]
"""For each file a block to write, and the same for the observer (float32, before clipping) where there is one."""

_Item = TypeVar("_Item")
_DITHER_CHUNK_N = 1 << 13
_CONTAINERS = {".wav": "WAV", ".wave": "WAV", ".w64": "W64", ".aif": "AIFF", ".aiff": "AIFF", ".flac": "FLAC"}
_BITS = {"PCM_24": 24, "PCM_32": 32}
_BYTES = {"PCM_24": 3, "PCM_32": 4, "FLOAT": 4, "DOUBLE": 8}
_RIFF_KIN = frozenset({"WAV", "WAVEX", "RF64"})


@dataclass(frozen=True, slots=True)
class RenderReport:
    """What was written.

    Parameters
    ----------
    path : Path
        The file.
    rate_hz, channels_n, frames_n : int
        Its rate, channels and length.
    container, subtype : str
        libsndfile's names, for example ``WAV`` and ``PCM_24``.
    clipped_n : int
        Samples beyond full scale that an integer format cuts off.
    notices : tuple of str
        Sentences for the user.
    true_peak_dbtp : float
        For whoever attached a meter by `Observer` to fill in; NaN until then.
    """

    path: Path
    rate_hz: int
    channels_n: int
    frames_n: int
    container: str
    subtype: str
    clipped_n: int
    notices: tuple[str, ...] = ()
    true_peak_dbtp: float = math.nan


def render_stem(
    vocal: str | os.PathLike[str],
    target: str | os.PathLike[str],
    curve: GainCurve,
    protect: Sequence[str | os.PathLike[str]] = (),
    *,
    markers: Sequence[Marker] = (),
    broadcast: Broadcast | None = None,
    loudness: Callable[[], BroadcastLoudness] | None = None,
    observer: Observer | None = None,
    progress: Callable[[float], None] | None = None,
    cancelled: Callable[[], bool] | None = None,
) -> RenderReport | None:
    """Write the vocal with the gain of `curve`: same rate, channels, length, every sample at its place.

    Integer files of up to 24 bits and lossy ones become 24 bit, 32-bit integer, float and double ones stay what they
    are. The container goes by the target's name (.wav, .w64, .aiff, .flac); WAV becomes RF64 where RIFF is too small.

    A WAV or RF64 target takes over what the vocal holds beside its samples (broadcast fields, cue markers with labels,
    iXML and every other chunk), and gets broadcast fields where the vocal has none. Targets of other kinds cannot; it
    is told where something is lost by that.

    Parameters
    ----------
    vocal, target : path-like
        The vocal and the file to write.
    curve : GainCurve
        The whole gain, trim included.
    protect : sequence of path-like
        Files that must not be written over; the vocal is one of itself.
    markers : sequence of Marker
        Cue markers to add to those that the vocal has.
    broadcast : Broadcast, optional
        Broadcast fields instead of the vocal's own, or of what `source_broadcast` gives where it has none. A line is
        added to the coding history.
    loudness : callable, optional
        Asked for the file's measured loudness when all is written; without it the broadcast fields leave it open.
    observer : callable, optional
        Fed with what is written.
    progress : callable, optional
        Told how much is done, 0 to 1. What it raises ends the render.
    cancelled : callable, optional
        Asked between blocks whether to stop.

    Returns
    -------
    RenderReport or None
        None where `cancelled` said so; then nothing is written.

    Raises
    ------
    OutputIsSourceError, OutputError
        The target is a source, or cannot be written.
    SourceUnreadableError, SourceUnusableError
        The vocal cannot be read to its end, or holds NaN or infinity.
    """
    with FrameReader(vocal) as reader:
        info = reader.info
        subtype = info.subtype if info.floating or info.bits_n == 32 else "PCM_24"
        if subtype == "ALAC_32":
            subtype = "PCM_32"
        sink = _Sink(Path(target), (vocal, *protect), info.rate_hz, info.layout, info.frames_n, subtype)
        if info.lossy:
            sink.notices.append(f"{info.path.name} is lossy; its ridden stem is written with 24 bits.")
        extras = read_extras(vocal).with_markers(markers)
        sink.take(extras, broadcast, extras.broadcast or source_broadcast(info), loudness)
        with ThreadPoolExecutor(1, "render") as worker:
            ridden = _ridden_stem(
                _ahead(_read_stem(reader, sink.block_n), worker), info, curve, sink, observer is not None
            )
            reports = _written(ridden, [sink], worker, [observer], progress, cancelled)
            return None if reports is None else reports[0]


def source_broadcast(info: FileInfo) -> Broadcast:
    """Broadcast fields for a source that has none: its name, the day and time of its file, the start of the session.

    Time reference 0 is where the session begins. The file's own time, and no clock, keeps renders the same.
    """
    local = time.localtime(info.path.stat().st_mtime)
    return Broadcast(
        description=info.path.stem,
        originator="Ridebook",
        origination_date=time.strftime("%Y-%m-%d", local),
        origination_time=time.strftime("%H:%M:%S", local),
        time_reference_n=info.time_reference_n or 0,
    )


@dataclass(frozen=True, slots=True)
class MixVersion:
    """One mix to write.

    Parameters
    ----------
    target : path-like
        The file.
    voices_db : tuple of float, optional
        Gain in dB on the vocal and on each follower beyond their curves; None for the bed alone.
    broadcast : Broadcast, optional
        Its broadcast fields; without them those of `mix_broadcast`.
    loudness : callable, optional
        As for `render_stem`.
    """

    target: str | os.PathLike[str]
    voices_db: tuple[float, ...] | None
    broadcast: Broadcast | None = None
    loudness: Callable[[], BroadcastLoudness] | None = None


def render_mixes(
    pair: StemPair,
    versions: Sequence[MixVersion],
    curves: Sequence[GainCurve],
    centre_law_db: float = 0.0,
    protect: Sequence[str | os.PathLike[str]] = (),
    *,
    markers: Sequence[Marker] = (),
    observers: Sequence[Observer | None] = (),
    progress: Callable[[float], None] | None = None,
    cancelled: Callable[[], bool] | None = None,
) -> tuple[RenderReport, ...] | None:
    """Write several mixes of ridden voices and beds in one reading, from the first frame of any file to the last.

    24 bit, or float where a source is float or has 32 bits. All have the same length and start. A WAV or RF64 target
    gets the vocal's cue markers, moved to where they are in the mix, and broadcast fields with the time reference of
    the mix's own first frame.

    Parameters
    ----------
    pair : StemPair
        The open pair.
    versions : sequence of MixVersion
        What to write.
    curves : sequence of GainCurve
        The whole gain of the vocal and of each follower.
    centre_law_db : float
        Gain of a mono voice on its way to left and right.
    protect, progress, cancelled
        As for `render_stem`; the pair's own files are protected.
    markers : sequence of Marker
        Cue markers to add to those that the vocal has, by frames of the vocal.
    observers : sequence of callable or None
        For each version, as for `render_stem`; none where it is left out.

    Returns
    -------
    tuple of RenderReport, or None
        One for each version; None where `cancelled` said so: then none is written.

    Raises
    ------
    OutputIsSourceError, OutputError, SourceUnreadableError, SourceUnusableError
        As `render_stem`; then none is written, but for those already in place when a later one could not be moved.
    """
    infos = [stem.info for stem in pair.sounding]
    subtype = "FLOAT" if any(info.floating or info.bits_n == 32 for info in infos) else "PCM_24"
    frames_n = pair.mix_end_n - pair.mix_start_n
    sources = [info.path for info in infos]
    watching = list(observers) or [None] * len(versions)
    sinks = [
        _Sink(Path(version.target), (*sources, *protect), pair.rate_hz, pair.mix_layout, frames_n, subtype)
        for version in versions
    ]
    of_vocal = read_extras(pair.vocal.path).with_markers(markers).shifted(-pair.mix_start_n)
    for version, sink in zip(versions, sinks, strict=True):
        marked = Extras(cues=of_vocal.cues, notes=of_vocal.notes)
        sink.take(marked, version.broadcast, mix_broadcast(pair, version.voices_db is None), version.loudness)
    with ThreadPoolExecutor(1, "render") as worker:
        blocks = _ahead(_read_pair(pair, sinks[0].chunk_n), worker)
        rendered = [
            _RenderedVersion(version, sink, observer is not None)
            for version, sink, observer in zip(versions, sinks, watching, strict=True)
        ]
        mixed = _mixed(blocks, pair, curves, centre_law_db, rendered)
        return _written(mixed, sinks, worker, watching, progress, cancelled)


def mix_broadcast(pair: StemPair, bed_alone: bool = False) -> Broadcast:
    """Broadcast fields of a mix of a pair: day and time of the vocal, the place of the mix's own first frame."""
    vocal = read_extras(pair.vocal.path).broadcast or source_broadcast(pair.vocal.info)
    return Broadcast(
        description=f"Bed of {pair.vocal.path.stem}" if bed_alone else f"Mix of {pair.vocal.path.stem} and its bed",
        originator="Ridebook",
        origination_date=vocal.origination_date,
        origination_time=vocal.origination_time,
        time_reference_n=max(vocal.time_reference_n + pair.mix_start_n, 0),
    )


class _Stopped(Exception):
    """The render was called off."""


class _Sink:
    """The file to write: its format, and the way of a signal into that."""

    def __init__(
        self,
        target: Path,
        protect: Iterable[str | os.PathLike[str]],
        rate_hz: int,
        layout: Layout,
        frames_n: int,
        subtype: str,
    ):
        self.target = target
        self.protect = [os.fspath(path) for path in protect]
        self.rate_hz = rate_hz
        self.channels_n = layout.channels_n
        self.frames_n = frames_n
        self.subtype = subtype
        self.container = self._container(0)
        self.extras = Extras()
        self.loudness: Callable[[], BroadcastLoudness] | None = None
        self.notices: list[str] = []
        self.sample_type: SampleType = (
            "float32" if subtype == "FLOAT" else "float64" if subtype == "DOUBLE" else "int32"
        )
        self.clipped_n = 0
        self.block_n = BLOCK_SAMPLES_N // self.channels_n
        self.chunk_n = CHUNK_SAMPLES_N // self.channels_n
        self._bits_n = _BITS.get(subtype, 0)
        self._dither = TriangularDither()
        # Arrays used over and over: fresh ones cost more in page faults than the sums that are done in them.
        self.signal = np.empty(CHUNK_SAMPLES_N)
        self.factors = np.empty(scratch_samples_n(CHUNK_SAMPLES_N, self.channels_n))
        self._rounded = np.empty(CHUNK_SAMPLES_N)
        self._view = np.empty(BLOCK_SAMPLES_N, dtype=np.float32)
        self._outs = [np.empty(BLOCK_SAMPLES_N, dtype=self.sample_type) for _ in range(2)]
        check_target(target, self.protect)

    def take(
        self,
        extras: Extras,
        asked: Broadcast | None,
        default: Broadcast,
        loudness: Callable[[], BroadcastLoudness] | None,
    ) -> None:
        """Have the file hold `extras`, with the broadcast fields asked for or else the default ones."""
        bits_n = 8 * _BYTES[self.subtype]
        self.notices += (f"The chunk {name!r} is too large to be carried over." for name in extras.left_out)
        if self.container in _RIFF_KIN:
            broadcast = asked or default
            line = coding_line(self.rate_hz, bits_n, self.channels_n, f"Ridebook {__version__}; ride")
            fields = replace(broadcast, coding_history=broadcast.coding_history + line)
            self.extras = replace(extras, broadcast=fields).with_bits(bits_n)
            self.loudness = loudness
            self.container = self._container(stored_bytes_n(self.extras.chunks()))
        elif asked is not None or extras.chunks():
            self.notices.append(
                f"{self.target.name} cannot hold broadcast fields, markers or iXML; those are left out. "
                "A .wav file takes them."
            )

    def parted_chunks(self) -> tuple[list[RawChunk], list[RawChunk]]:
        """Part the chunks into what goes before the samples and what follows them."""
        return split_by_room(self.extras.chunks(), self.container == "RF64")

    def _container(self, chunks_n: int) -> str:
        container = _CONTAINERS.get(self.target.suffix.lower())
        if container is None:
            raise OutputError(f"{self.target} cannot be written: name it .wav, .w64, .aiff or .flac")
        bytes_n = self.frames_n * self.channels_n * _BYTES[self.subtype] + chunks_n
        if container == "WAV":
            if bytes_n > RIFF_MAX_BYTES_N:
                return "RF64"
            return "WAVEX" if self.channels_n > 2 else "WAV"
        if container == "AIFF" and bytes_n > RIFF_MAX_BYTES_N:
            raise OutputError(f"{self.target} cannot be written: it is too long for AIFF; name it .wav or .w64")
        if not soundfile.check_format(container, self.subtype):
            raise OutputError(
                f"{self.target} cannot be written: {container} has no {self.subtype} samples; name it .wav"
            )
        return container

    @property
    def full_scale(self) -> float:
        """What a signal of full scale is in the unit that `convert` takes: steps of an integer format, or 1."""
        return 2.0 ** (self._bits_n - 1) if self._bits_n else 1.0

    def next_out(self, samples_n: int) -> tuple[np.ndarray, np.ndarray]:
        """Flat arrays for the samples to write and for the observer; the one before may still be being written."""
        self._outs.reverse()
        return self._outs[0][:samples_n], self._view[:samples_n]

    def convert(self, signal: np.ndarray, out: np.ndarray, dithered: bool | np.ndarray) -> None:
        """Bring a signal into the file's samples.

        Parameters
        ----------
        signal : ndarray
            float64, flat, in units of `full_scale`; has the dither added on return, and is neither rounded nor clipped.
        out : ndarray
            Of `sample_type`, same shape; an integer format fills the topmost bits.
        dithered : bool or ndarray
            Whether, or which of the samples, an integer format dithers.
        """
        if not self._bits_n:
            np.copyto(out, signal, casting="same_kind")
            return
        if dithered is not False:
            dither = self._dither.steps_into(self._rounded[: len(signal)])
            if isinstance(dithered, np.ndarray):
                dither *= dithered
            signal += dither
        rounded = np.rint(signal, out=self._rounded[: len(signal)])
        low, high = -self.full_scale, self.full_scale - 1.0
        if rounded.max() > high or rounded.min() < low:
            self.clipped_n += int(np.count_nonzero((rounded > high) | (rounded < low)))
            np.clip(rounded, low, high, out=rounded)
        np.copyto(out, rounded, casting="unsafe")
        if self._bits_n < 32:
            np.left_shift(out, 32 - self._bits_n, out=out)


class TriangularDither:
    """White noise of triangular distribution, from -1 to 1 step, the same for the same seed.

    The difference of two uniform 16-bit numbers: on a grid of 2^-16 step, with a mean of exactly 0.
    """

    def __init__(self, seed: int = DITHER_SEED):
        self._words = np.random.SFC64(seed)

    def steps_into(self, out: np.ndarray) -> np.ndarray:
        """Fill `out`, float64, shape (samples,), with the next samples in steps, and return it."""
        for start_n in range(0, len(out), _DITHER_CHUNK_N):
            part = out[start_n : start_n + _DITHER_CHUNK_N]
            words = np.asarray(self._words.random_raw((len(part) + 1) // 2)).view(np.int32)[: len(part)]
            low = words << 16
            low >>= 16
            words >>= 16
            words -= low
            np.multiply(words, 2.0**-16, out=part)
        return out


def _dither_due(factor: float | np.ndarray) -> bool | np.ndarray:
    """Whether, or in which frames, the gain is other than 1."""
    if not isinstance(factor, np.ndarray):
        return factor != 1.0
    if (factor[0] - 1.0) * (factor[-1] - 1.0) > 0.0:  # a line that never meets 0 dB
        return True
    return np.asarray(factor != 1.0)


def _ridden_stem(
    blocks: Iterable[tuple[int, np.ndarray]], info: FileInfo, curve: GainCurve, sink: _Sink, seen: bool
) -> Ridden:
    channels_n = info.channels_n
    for start_n, block in blocks:
        source = block.reshape(-1)
        stored = source.dtype == np.int32
        if not stored:
            check_finite(info, block, start_n)
        unit = sink.full_scale / 2.0**31 if stored else sink.full_scale
        out, view = sink.next_out(len(source))
        for from_n, to_n, factor in _chunked_pieces(curve, start_n, start_n + len(block), sink):
            part = slice((from_n - start_n) * channels_n, (to_n - start_n) * channels_n)
            due = _dither_due(factor)
            if stored and due is False:
                out[part] = source[part]
                if seen:
                    np.multiply(source[part], 2.0**-31, out=view[part], casting="same_kind")
                continue
            signal = sink.signal[: part.stop - part.start]
            np.multiply(source[part], factor, out=signal, dtype=np.float64)
            if unit != 1.0:
                signal *= unit
            sink.convert(signal, out[part], due)
            if seen:
                np.multiply(signal, 1.0 / sink.full_scale, out=view[part], casting="same_kind")
        yield [(out.reshape(block.shape), view.reshape(block.shape) if seen else None)]


def _chunked_pieces(
    curve: GainCurve, start_n: int, stop_n: int, sink: _Sink
) -> Iterator[tuple[int, int, float | np.ndarray]]:
    for chunk_n in range(start_n, stop_n, sink.chunk_n):
        yield from curve.pieces(chunk_n, min(chunk_n + sink.chunk_n, stop_n), sink.channels_n, sink.factors)


class _RenderedVersion:
    """One mix on its way into its file."""

    def __init__(self, version: MixVersion, sink: _Sink, seen: bool):
        steps_db = version.voices_db
        self.factors = None if steps_db is None else [10.0 ** (step_db / 20.0) for step_db in steps_db]
        self._sink = sink
        self._seen = seen

    def block(
        self, bed: np.ndarray, voices: Sequence[np.ndarray], due: bool | np.ndarray
    ) -> tuple[np.ndarray, np.ndarray | None]:
        """Bring a block into the file's samples, and into the observer's.

        Parameters
        ----------
        bed : ndarray
            float64, shape (frames, channels).
        voices : sequence of ndarray
            The ridden vocal and followers, alike.
        due : bool or ndarray
            Whether, or in which frames, the sum is off the file's steps where no voice is turned up or down.
        """
        mix = bed.copy()
        for voice, factor in zip(voices, self.factors or (), strict=self.factors is not None):
            mix += voice if factor == 1.0 else voice * factor
        if any(factor != 1.0 for factor in self.factors or ()):
            due = True
        sink = self._sink
        signal = mix.reshape(-1)
        signal *= sink.full_scale
        out, view = sink.next_out(len(signal))
        sink.convert(signal, out, np.repeat(due, sink.channels_n) if isinstance(due, np.ndarray) else due)
        if self._seen:
            np.multiply(signal, 1.0 / sink.full_scale, out=view, casting="same_kind")
        return out.reshape(mix.shape), view.reshape(mix.shape) if self._seen else None


def _mixed(
    blocks: Iterable[tuple[int, list[np.ndarray]]],
    pair: StemPair,
    curves: Sequence[GainCurve],
    centre_law_db: float,
    versions: Sequence[_RenderedVersion],
) -> Ridden:
    stems = (*pair.beds, pair.vocal, *pair.followers)
    # The law is that of the voices' channels; a bed is as it stands in the mix.
    laws_db = [0.0] * len(pair.beds) + [centre_law_db] * (1 + len(pair.followers))
    matrices = [placement(stem.layout, pair.mix_layout, law_db) for stem, law_db in zip(stems, laws_db, strict=True)]
    # Samples of up to 24 bits that are only added up stay on the steps of a 24-bit format.
    on_steps = [
        stem.stored and bool(np.isin(matrix, (0.0, 1.0)).all()) for stem, matrix in zip(stems, matrices, strict=True)
    ]
    beds_n = len(pair.beds)
    for start_n, (vocal, *rest) in blocks:
        bed = np.zeros((len(vocal), pair.mix_layout.channels_n))
        for block, matrix in zip(rest[:beds_n], matrices[:beds_n], strict=True):
            bed += block @ matrix
        voices: list[np.ndarray] = []
        due = np.zeros(len(vocal), dtype=bool)
        for block, matrix, curve in zip((vocal, *rest[beds_n:]), matrices[beds_n:], curves, strict=True):
            ridden = block.astype(np.float64)
            for from_n, to_n, factor in curve.pieces(start_n, start_n + len(block)):
                part = slice(from_n - start_n, to_n - start_n)
                ridden[part] *= factor[:, None] if isinstance(factor, np.ndarray) else factor
                due[part] |= _dither_due(factor)
            voices.append(ridden @ matrix)
        bed_due: bool | np.ndarray = not all(on_steps[:beds_n])
        with_voices_due: bool | np.ndarray = due if all(on_steps) else True
        yield [
            version.block(bed, voices, with_voices_due)
            if version.factors is not None
            else version.block(bed, (), bed_due)
            for version in versions
        ]


def _read_stem(reader: FrameReader, block_n: int) -> Iterator[tuple[int, np.ndarray]]:
    """Yield the file's blocks, in two arrays by turns."""
    info = reader.info
    stored = not info.lossy and not info.floating
    sample_type = "int32" if stored else "float64" if info.subtype == "DOUBLE" else "float32"
    arrays = [np.empty((block_n, info.channels_n), dtype=sample_type) for _ in range(2)]
    for start_n in range(0, info.frames_n, block_n):
        arrays.reverse()
        block = arrays[0][: info.frames_n - start_n]
        reader.read_into(block, start_n)
        yield start_n, block


def _read_pair(pair: StemPair, block_n: int) -> Iterator[tuple[int, list[np.ndarray]]]:
    for start_n in range(pair.mix_start_n, pair.mix_end_n, block_n):
        stop_n = min(start_n + block_n, pair.mix_end_n)
        yield start_n, [stem.read(start_n, stop_n) for stem in pair.sounding]


def _ahead(items: Iterator[_Item], worker: ThreadPoolExecutor) -> Iterator[_Item]:
    """Yield what `items` yields, each made while the one before is worked on."""
    pending = worker.submit(next, items, None)
    while (item := pending.result()) is not None:
        pending = worker.submit(next, items, None)
        yield item


def _written(
    ridden: Ridden,
    sinks: Sequence[_Sink],
    worker: ThreadPoolExecutor,
    observers: Sequence[Observer | None],
    progress: Callable[[float], None] | None,
    cancelled: Callable[[], bool] | None,
) -> tuple[RenderReport, ...] | None:
    """Write the blocks of all files, each while the next one is computed."""
    try:
        with ExitStack() as held:
            files = []
            for sink in sinks:
                aside = held.enter_context(written_aside(sink.target, sink.protect))
                aside.touch(exist_ok=False)
                files.append(held.enter_context(_output(aside, sink)))
            done_n = 0
            pending: list[Future[None]] = []
            try:
                for blocks in ridden:
                    for written in pending:
                        written.result()
                    if cancelled is not None and cancelled():
                        raise _Stopped
                    pending = [worker.submit(file.write, out) for file, (out, _) in zip(files, blocks, strict=True)]
                    for observer, (_, view) in zip(observers, blocks, strict=True):
                        if observer is not None and view is not None:
                            observer(view)
                    done_n += len(blocks[0][0])
                    if progress is not None:
                        progress(done_n / sinks[0].frames_n)
                for written in pending:
                    written.result()
            finally:
                wait(pending)  # no file must be closed under a write
    except _Stopped:
        return None
    except (soundfile.SoundFileError, AssertionError) as error:
        # soundfile asserts that a write took all frames.
        names = ", ".join(str(sink.target) for sink in sinks)
        raise OutputError(f"{names} cannot be written to its end ({error}); is the disk full?") from error
    return tuple(
        RenderReport(
            path=sink.target,
            rate_hz=sink.rate_hz,
            channels_n=sink.channels_n,
            frames_n=sink.frames_n,
            container=sink.container,
            subtype=sink.subtype,
            clipped_n=sink.clipped_n,
            notices=tuple(sink.notices),
        )
        for sink in sinks
    )


@contextmanager
def _output(path: Path, sink: _Sink) -> Iterator[soundfile.SoundFile]:
    """Open the file for its samples; what it holds beside them is laid into it when the block ends well."""
    laid = bool(sink.extras.chunks())
    with soundfile.SoundFile(path, "w", sink.rate_hz, sink.channels_n, sink.subtype, format=sink.container) as file:
        if laid:
            file.comment = placeholder(sink.parted_chunks()[0])
        yield file
    if laid:
        if sink.extras.broadcast is not None and sink.loudness is not None:
            measured = replace(sink.extras.broadcast, loudness=sink.loudness())
            sink.extras = replace(sink.extras, broadcast=measured)
        lay_chunks(path, *sink.parted_chunks())
