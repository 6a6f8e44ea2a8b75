"""What a wave file holds beside its samples: broadcast fields, markers with their labels, and any other chunk.

libsndfile drops most of it when it writes a file anew. Here it is read from a source, and laid into a file that
libsndfile has written, in a place that was kept free before the samples or, where it is too big for that, behind them.

Sources: "Multimedia Programming Interface and Data Specifications 1.0" (IBM and Microsoft, 1991) for RIFF, cue points
and associated data lists; EBU Tech 3285 (bext chunk); EBU Tech 3306 (RF64, ds64 chunk); "Audio Interchange File Format
AIFF" 1.3 (Apple, 1989) for the markers of that.
W64 (Sony Wave64) from memory: GUIDs that begin with the RIFF name, 64-bit sizes that count the chunk's own 24 bytes of
head, chunks aligned to 8 bytes.
"""

from __future__ import annotations

import os
import re
import struct
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from io import BufferedRandom, BufferedReader
from pathlib import Path
from typing import NamedTuple

from ridebook.audio.broadcast import Broadcast

ROOM_MAX_BYTES_N = 32_000
"""Chunks are laid before the samples up to this many bytes together; libsndfile's header holds some 40 kB at most."""

MAX_CHUNK_BYTES_N = 64 * 2**20
"""A chunk that is larger is not carried over: nothing but samples is known to be."""

RawChunk = tuple[bytes, bytes]
"""Name of four bytes, and content."""

_UNKNOWN_SIZE = 0xFFFFFFFF
_CUE_POINT = struct.Struct("<II4sIII")
_RANGE = struct.Struct("<II4s4H")
# What belongs to the samples as they are stored, is made anew by whoever writes them, or does not hold for others:
# levl is a peak envelope (EBU Tech 3285 Supplement 3), MD5 a checksum of the samples.
_OF_THE_SAMPLES = frozenset(
    (
        b"fmt ",
        b"data",
        b"fact",
        b"ds64",
        b"PEAK",
        b"levl",
        b"slnt",
        b"wavl",
        b"MD5 ",
        b"JUNK",
        b"junk",
        b"PAD ",
        b"FLLR",
    )
)
_IXML_BITS = re.compile(rb"(<AUDIO_BIT_DEPTH>)\s*\d+\s*(</AUDIO_BIT_DEPTH>)")


class Chunk(NamedTuple):
    """A chunk of a file: its name of four bytes, where its content begins, and how long that is."""

    name: bytes
    start: int
    size_n: int


class Marker(NamedTuple):
    """A place with a label: first frame, text, and how many frames it spans (0 for a mere place)."""

    frame_n: int
    label: str
    length_n: int = 0


class CuePoint(NamedTuple):
    """A cue point: the number by which labels call it, and its frame."""

    number: int
    frame_n: int


@dataclass(frozen=True, slots=True)
class Extras:
    """What a wave file holds beside its format and samples.

    Parameters
    ----------
    broadcast : Broadcast or None
        The broadcast fields.
    cues : tuple of CuePoint
        Places in the file.
    notes : tuple of RawChunk
        Entries of the associated data list: labels, notes and spans of the cue points, as they are stored.
    others : tuple of RawChunk
        All other chunks as they are stored (iXML, axml, INFO and whatever else), in the file's order.
    left_out : tuple of str
        Names of chunks that are too large to be carried.
    """

    broadcast: Broadcast | None = None
    cues: tuple[CuePoint, ...] = ()
    notes: tuple[RawChunk, ...] = ()
    others: tuple[RawChunk, ...] = ()
    left_out: tuple[str, ...] = ()

    @property
    def markers(self) -> tuple[Marker, ...]:
        """The cue points with their labels, by frame."""
        labels: dict[int, str] = {}
        lengths_n: dict[int, int] = {}
        for name, data in self.notes:
            number, length_n = struct.unpack("<II", data[:8].ljust(8, b"\0"))
            if name == b"labl":
                labels[number] = data[4:].split(b"\0", 1)[0].decode("utf-8", "replace")
            elif name == b"ltxt":
                lengths_n[number] = length_n
        found = (Marker(cue.frame_n, labels.get(cue.number, ""), lengths_n.get(cue.number, 0)) for cue in self.cues)
        return tuple(sorted(found))

    def with_markers(self, markers: Iterable[Marker]) -> Extras:
        """Add markers to those that are there; one of the same frame and label is not added again."""
        there = {marker[:2] for marker in self.markers}
        cues, notes = list(self.cues), list(self.notes)
        number = max((cue.number for cue in cues), default=0)
        for marker in markers:
            label = marker.label.replace("\0", "")
            if (marker.frame_n, label) in there or not 0 <= marker.frame_n <= _UNKNOWN_SIZE:
                continue
            number += 1
            cues.append(CuePoint(number, marker.frame_n))
            notes.append((b"labl", struct.pack("<I", number) + label.encode("utf-8", "replace") + b"\0"))
            if marker.length_n > 0:
                notes.append((b"ltxt", _RANGE.pack(number, marker.length_n, b"rgn ", 0, 0, 0, 0)))
        return replace(self, cues=tuple(cues), notes=tuple(notes))

    def shifted(self, by_n: int) -> Extras:
        """Move all cue points by so many frames; those that come to lie before the first one are left out."""
        moved = (CuePoint(cue.number, cue.frame_n + by_n) for cue in self.cues)
        cues = tuple(cue for cue in moved if 0 <= cue.frame_n <= _UNKNOWN_SIZE)
        numbers = {struct.pack("<I", cue.number) for cue in cues}
        return replace(self, cues=cues, notes=tuple(note for note in self.notes if note[1][:4] in numbers))

    def with_bits(self, bits_n: int) -> Extras:
        """Tell an iXML chunk (its specification 3.01, AUDIO_BIT_DEPTH) how many bits a sample now has."""
        others = tuple(
            (name, _IXML_BITS.sub(rb"\g<1>%d\g<2>" % bits_n, data) if name == b"iXML" else data)
            for name, data in self.others
        )
        return replace(self, others=others)

    def chunks(self) -> list[RawChunk]:
        """All of it as chunks, the broadcast fields first."""
        out: list[RawChunk] = []
        if self.broadcast is not None:
            out.append((b"bext", self.broadcast.to_bytes()))
        if self.cues:
            cues = sorted(self.cues, key=lambda cue: cue.frame_n)
            points = (_CUE_POINT.pack(cue.number, cue.frame_n, b"data", 0, 0, cue.frame_n) for cue in cues)
            out.append((b"cue ", struct.pack("<I", len(self.cues)) + b"".join(points)))
        if self.notes:
            # Labels first: a widely used reader (ffmpeg 5.1) stops at the first entry that is none.
            ordered = sorted(self.notes, key=lambda note: note[0] != b"labl")
            out.append((b"LIST", b"adtl" + b"".join(_stored(name, data) for name, data in ordered)))
        return out + list(self.others)


def wave_chunks(file: BufferedReader | BufferedRandom) -> Iterator[Chunk]:
    """Chunks of a RIFF, RF64, W64, AIFF or AIFC file in order, as far as it is sound; of any other file none.

    Samples of unknown length, as in a file that was written into a pipe, go on to the file's end.
    """
    end = file.seek(0, os.SEEK_END)
    file.seek(0)
    head = file.read(12)
    wide = head[:4] == b"riff"
    big = head[:4] == b"FORM" and head[8:] in (b"AIFF", b"AIFC")
    if not (wide or big or head[8:] == b"WAVE"):
        return
    at = 40 if wide else 12
    data_n = 0
    while True:
        file.seek(at)
        head = file.read(24 if wide else 8)
        if len(head) < (24 if wide else 8):
            return
        name = head[:4]
        start = at + len(head)
        if wide:
            size_n = struct.unpack_from("<Q", head, 16)[0] - 24
            if size_n < 0:
                return
        else:
            (size_n,) = struct.unpack_from(">I" if big else "<I", head, 4)
        if name == b"ds64" and size_n >= 16:
            data_n = struct.unpack("<8xQ", file.read(16).ljust(16, b"\0"))[0]
        elif name == b"data" and size_n == _UNKNOWN_SIZE and not wide:
            size_n = data_n or max(end - start, 0)
        yield Chunk(name, start, size_n)
        at = start + size_n + (-size_n % 8 if wide else size_n % 2)
        if at >= 2**63:
            return


def read_extras(path: str | os.PathLike[str]) -> Extras:
    """Read what a RIFF or RF64 file holds beside its samples.

    Of a W64 file the broadcast fields alone, of an AIFF file the markers, of any other nothing.

    Parameters
    ----------
    path : path-like
        A file that is there and can be read.

    Returns
    -------
    Extras
        Chunks that are broken or empty are passed over.
    """
    broadcast = None
    cues: list[CuePoint] = []
    notes: list[RawChunk] = []
    others: list[RawChunk] = []
    left_out: list[str] = []
    aiff_markers: list[Marker] = []
    with Path(path).open("rb") as file:
        head = file.read(4)
        only = {b"FORM": b"MARK", b"riff": b"bext"}.get(head)
        for chunk in wave_chunks(file):
            # What follows the last chunk of some files is no chunk and has no name.
            named = all(0x20 <= letter < 0x7F for letter in chunk.name)
            if chunk.name in _OF_THE_SAMPLES or not named or (only is not None and chunk.name != only):
                continue
            if chunk.size_n > MAX_CHUNK_BYTES_N:
                left_out.append(chunk.name.decode("ascii", "replace"))
                continue
            file.seek(chunk.start)
            data = file.read(chunk.size_n)
            if len(data) < chunk.size_n or not data:
                continue
            if chunk.name == only == b"MARK":
                aiff_markers += _aiff_markers(data)
            elif chunk.name == b"bext":
                broadcast = Broadcast.from_bytes(data)
            elif chunk.name == b"cue ":
                cues += _cue_points(data)
            elif chunk.name == b"LIST" and data[:4] == b"adtl":
                notes += _entries(data[4:])
            else:
                others.append((chunk.name, data))
    extras = Extras(broadcast, tuple(cues), tuple(notes), tuple(others), tuple(left_out))
    return extras.with_markers(aiff_markers)


def wave_head(path: str | os.PathLike[str]) -> bytes:
    """Head of a RIFF file with the format of the WAV or RF64 file at `path`, up to where its samples would follow."""
    with Path(path).open("rb") as file:
        found = {chunk.name: chunk for chunk in wave_chunks(file)}
        file.seek(found[b"fmt "].start)
        format_chunk = _stored(b"fmt ", file.read(found[b"fmt "].size_n))
    data_n = found[b"data"].size_n
    sizes = (min(n, _UNKNOWN_SIZE) for n in (4 + len(format_chunk) + 8 + data_n, data_n))
    riff, data = (struct.pack("<I", n) for n in sizes)
    return b"RIFF" + riff + b"WAVE" + format_chunk + b"data" + data


def split_by_room(chunks: Sequence[RawChunk], rf64: bool) -> tuple[list[RawChunk], list[RawChunk]]:
    """Part chunks into those that go before the samples and those that follow them.

    libsndfile 1.2.2 does not skip the byte that pads an unknown chunk of odd length in RF64, so that there such a one
    must not stand before the samples.
    """
    before: list[RawChunk] = []
    behind: list[RawChunk] = []
    room_n = ROOM_MAX_BYTES_N
    for name, data in chunks:
        taken_n = len(_stored(name, data))
        if taken_n > room_n or (rf64 and len(data) % 2):
            behind.append((name, data))
        else:
            room_n -= taken_n
            before.append((name, data))
    return before, behind


def stored_bytes_n(chunks: Iterable[RawChunk]) -> int:
    """How many bytes chunks take in a file, heads and padding counted."""
    return sum(8 + len(data) + len(data) % 2 for _, data in chunks)


def placeholder(before: Sequence[RawChunk]) -> str:
    """Comment for libsndfile to write before the samples, so long that its LIST chunk keeps the room for `before`.

    That chunk is a head of 8 bytes, ``INFO``, a head of 8 bytes and the text with a closing null: 22 bytes more than an
    even number of letters. 16 bytes stay over, which a JUNK chunk fills.
    """
    return "-" * max(stored_bytes_n(before) + 16 - 22, 2)


def lay_chunks(path: str | os.PathLike[str], before: Sequence[RawChunk], behind: Sequence[RawChunk]) -> None:
    """Lay chunks into a finished RIFF or RF64 file that was written with `placeholder`. No sample is moved.

    Parameters
    ----------
    path : path-like
        The file.
    before : sequence of RawChunk
        What takes the place of the placeholder; follows the samples too where the room is not as it was asked for.
    behind : sequence of RawChunk
        What follows the samples.
    """
    with Path(path).open("r+b") as file:
        chunks = list(wave_chunks(file))
        room = next(chunk for chunk in chunks if chunk.name == b"LIST")
        room_n = 8 + room.size_n + room.size_n % 2
        block = b"".join(_stored(name, data) for name, data in before)
        if room_n - len(block) < 8:
            block, behind = b"", [*before, *behind]
        file.seek(room.start - 8)
        file.write(block + _stored(b"JUNK", bytes(room_n - len(block) - 8)))
        if not behind:
            return
        end = file.seek(0, os.SEEK_END)
        file.write(bytes(end % 2) + b"".join(_stored(name, data) for name, data in behind))
        riff_n = file.tell() - 8
        wide = next((chunk for chunk in chunks if chunk.name == b"ds64"), None)
        if wide is not None:
            file.seek(wide.start)
            file.write(struct.pack("<Q", riff_n))
        else:
            file.seek(4)
            file.write(struct.pack("<I", riff_n))


def _stored(name: bytes, data: bytes) -> bytes:
    return name + struct.pack("<I", len(data)) + data + bytes(len(data) % 2)


def _cue_points(data: bytes) -> list[CuePoint]:
    """Points of a cue chunk, by their offset into the samples: the file has one data chunk and no play list."""
    (count,) = struct.unpack_from("<I", data.ljust(4, b"\0"))
    whole = data[4 : 4 + count * _CUE_POINT.size]
    whole = whole[: len(whole) - len(whole) % _CUE_POINT.size]
    return [CuePoint(number, frame_n) for number, _, _, _, _, frame_n in _CUE_POINT.iter_unpack(whole)]


def _entries(data: bytes) -> list[RawChunk]:
    """Entries of a list chunk."""
    out: list[RawChunk] = []
    at = 0
    while at + 8 <= len(data):
        (size_n,) = struct.unpack_from("<I", data, at + 4)
        content = data[at + 8 : at + 8 + size_n]
        if len(content) == size_n:
            out.append((data[at : at + 4], content))
        at += 8 + size_n + size_n % 2
    return out


def _aiff_markers(data: bytes) -> list[Marker]:
    """Markers of an AIFF MARK chunk: number, position, and a Pascal string that is padded to an even length."""
    out: list[Marker] = []
    at = 2
    while at + 7 <= len(data):
        frame_n, length = struct.unpack_from(">2xIB", data, at)
        out.append(Marker(frame_n, data[at + 7 : at + 7 + length].decode("utf-8", "replace")))
        at += 7 + length + (length + 1) % 2
    return out
