"""The fields of a broadcast wave file: what it is, where it comes from, and the time that its first frame belongs to.

Source: EBU Tech 3285 v2 (2011), "Specification of the Broadcast Wave Format", clause 2.3 (the bext chunk); EBU R 98
(1999) for the lines of the coding history.
"""

from __future__ import annotations

import math
import struct
import unicodedata
from dataclasses import dataclass
from typing import Self

_FIXED = struct.Struct("<256s32s32s10s8sQH64s5h180x")
_VERSION = 2
_NOT_MEASURED = 0x7FFF
_FULL_LIMIT = 99.99
_MODES = {1: ",M=mono", 2: ",M=stereo"}


@dataclass(frozen=True, slots=True)
class BroadcastLoudness:
    """Measured loudness of a file; NaN where a figure was not measured.

    Parameters
    ----------
    integrated_lufs, range_lu, true_peak_dbtp, momentary_max_lufs, short_term_max_lufs : float
        As in EBU R 128 and its supplements; kept in hundredths.
    """

    integrated_lufs: float = math.nan
    range_lu: float = math.nan
    true_peak_dbtp: float = math.nan
    momentary_max_lufs: float = math.nan
    short_term_max_lufs: float = math.nan

    @property
    def figures(self) -> tuple[float, ...]:
        """All figures in the order of the bext chunk."""
        return (
            self.integrated_lufs,
            self.range_lu,
            self.true_peak_dbtp,
            self.momentary_max_lufs,
            self.short_term_max_lufs,
        )


@dataclass(frozen=True, slots=True)
class Broadcast:
    r"""What a bext chunk says.

    The fields are ASCII: other letters lose their accents or become question marks when they are written, and bytes
    that are none in a file that was read are given back as they were.

    Parameters
    ----------
    description : str
        Of the sound, up to 256 characters; what is longer is cut off, here and below.
    originator, originator_reference : str
        Who made it, and its name there; up to 32 characters each.
    origination_date, origination_time : str
        ``yyyy-mm-dd`` and ``hh:mm:ss``.
    time_reference_n : int
        First frame of the file as frames since midnight at the file's own rate, 0 to 2^64 - 1.
    coding_history : str
        A line for each step of the way, each ended by ``\r\n``.
    loudness : BroadcastLoudness
        Figures of this very file. What a source says is not read, as it does not hold for what is made of it.
    """

    description: str = ""
    originator: str = ""
    originator_reference: str = ""
    origination_date: str = ""
    origination_time: str = ""
    time_reference_n: int = 0
    coding_history: str = ""
    loudness: BroadcastLoudness = BroadcastLoudness()

    @classmethod
    def from_bytes(cls, data: bytes) -> Self:
        """Fields of a bext chunk of any version; of one that breaks off early, those that are there."""
        *texts, reference_n, _version, _umid, _, _, _, _, _ = _FIXED.unpack(
            data[: _FIXED.size].ljust(_FIXED.size, b"\0")
        )
        description, originator, reference, date, time = (_text(part) for part in texts)
        history = _text(data[_FIXED.size :])
        return cls(description, originator, reference, date, time, reference_n, history)

    def to_bytes(self) -> bytes:
        """Content of the bext chunk, version 2, without a UMID: that of a source names other material."""
        return _FIXED.pack(
            _ascii(self.description),
            _ascii(self.originator),
            _ascii(self.originator_reference),
            _ascii(self.origination_date),
            _ascii(self.origination_time),
            self.time_reference_n,
            _VERSION,
            bytes(64),
            *(_hundredths(figure) for figure in self.loudness.figures),
        ) + _ascii(self.coding_history)


def coding_line(rate_hz: int, bits_n: int, channels_n: int, text: str) -> str:
    r"""Line of a coding history for uncompressed samples, for example ``A=PCM,F=48000,W=24,M=mono,T=ride\r\n``.

    EBU R 98 knows no word for more than two channels; these are told in the text alone.
    """
    return f"A=PCM,F={rate_hz},W={bits_n}{_MODES.get(channels_n, '')},T={text}\r\n"


def _text(data: bytes) -> str:
    return data.split(b"\0", 1)[0].decode("ascii", "surrogateescape")


def _ascii(text: str) -> bytes:
    plain = (letter for letter in unicodedata.normalize("NFKD", text) if not unicodedata.combining(letter))
    known = (letter if letter < "\x80" or "\udc80" <= letter <= "\udcff" else "?" for letter in plain)
    return "".join(known).encode("ascii", "surrogateescape")


def _hundredths(figure: float) -> int:
    return round(100.0 * figure) if abs(figure) <= _FULL_LIMIT else _NOT_MEASURED
