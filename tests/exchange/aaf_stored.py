"""A small reader of AAF files that shares nothing with the library that writes them.

olefile reads the compound file; what the streams hold is decoded here by the AMWA "AAF Low-Level Container
Specification" v1.0.1 (stored form of objects, from memory): an object is a storage with a stream "properties" (byte
order, version, count; pid, form and size of each property; then the values), the class is the storage's class id, and
a vector or set of objects has an index stream with the keys by which the storages of its elements are named. Property
ids by the AAF Object Specification v1.1.
"""

from __future__ import annotations

import struct
import uuid
from fractions import Fraction

import numpy as np
import olefile

OBJECT, VECTOR, SET, STREAM = 0x22, 0x32, 0x3A, 0x42
HEADER, CONTENT, MOBS, ESSENCES = 0x0002, 0x3B03, 0x1901, 0x1902
SLOTS, SEGMENT, COMPONENTS, INPUTS, PARAMETERS, POINTS = 0x4403, 0x4803, 0x1001, 0x0B02, 0x0B03, 0x4E02
LENGTH, MOB_ID, MOB_NAME, SLOT_ID, SLOT_NAME, EDIT_RATE = 0x0202, 0x4401, 0x4402, 0x4801, 0x4802, 0x4B01
OPERATION, PARAMETER, INTERPOLATION, TIME, VALUE = 0x0B01, 0x4C01, 0x4E01, 0x1A03, 0x1A02
START_TIME, SOURCE_ID, SOURCE_SLOT, TRACK_NUMBER = 0x1201, 0x1101, 0x1102, 0x4804
TC_START, TC_FPS, TC_DROP, POSITION, COMMENT = 0x1501, 0x1502, 0x1503, 0x0601, 0x0602
DESCRIPTION, LOCATORS, URL, CHANNELS, BITS, SUMMARY = 0x4701, 0x2F01, 0x4001, 0x3D07, 0x3D01, 0x3801
ESSENCE_MOB, ESSENCE_DATA = 0x2701, 0x2702

CLASS = "0D010101-0101-{}00-060E-2B3402060101".format
FILLER, CLIP, GROUP, SEQUENCE, TIMECODE = CLASS("09"), CLASS("11"), CLASS("0A"), CLASS("0F"), CLASS("14")
COMPOSITION, MASTER, SOURCE, MARKER = CLASS("35"), CLASS("36"), CLASS("37"), CLASS("41")


class Stored:
    """One object of the file."""

    def __init__(self, ole: olefile.OleFileIO, path: tuple[str, ...] = ()):
        self.ole, self.path = ole, path
        self.kind = ole.getclsid("/".join(path)) if path else ""
        data = ole.openstream([*path, "properties"]).read()
        order, _version, count = struct.unpack_from("<BBH", data)
        assert order == 0x4C  # little-endian
        at = 4 + 6 * count
        self.properties = {}
        for n in range(count):
            pid, form, size_n = struct.unpack_from("<HHH", data, 4 + 6 * n)
            self.properties[pid] = form, data[at : at + size_n]
            at += size_n
        assert at == len(data)

    def __contains__(self, pid: int) -> bool:
        return pid in self.properties

    def raw(self, pid: int) -> bytes:
        return self.properties[pid][1]

    def text(self, pid: int) -> str:
        return self.raw(pid).decode("utf-16-le").rstrip("\0")

    def number(self, pid: int) -> int:
        return int.from_bytes(self.raw(pid), "little", signed=True)

    def rational(self, pid: int) -> Fraction:
        return Fraction(*struct.unpack("<ii", self.raw(pid)))

    def auid(self, pid: int) -> str:
        """Identifier, or the key of a weak reference, which ends with one."""
        return str(uuid.UUID(bytes_le=self.raw(pid)[-16:]))

    def object(self, pid: int) -> Stored:
        assert self.properties[pid][0] == OBJECT
        return Stored(self.ole, (*self.path, self.text(pid)))

    def objects(self, pid: int) -> list[Stored]:
        name = self.text(pid)
        index = self.ole.openstream([*self.path, f"{name} index"]).read()
        (count,) = struct.unpack_from("<I", index)
        if self.properties[pid][0] == VECTOR:
            keys = struct.unpack_from(f"<{count}I", index, 12)
        else:
            assert self.properties[pid][0] == SET
            step = 8 + index[14]
            keys = tuple(struct.unpack_from("<I", index, 15 + n * step)[0] for n in range(count))
        return [Stored(self.ole, (*self.path, f"{name}{{{key:x}}}")) for key in keys]

    def stream(self, pid: int) -> bytes:
        form, value = self.properties[pid]
        assert form == STREAM
        return self.ole.openstream([*self.path, value[1:].decode("utf-16-le").rstrip("\0")]).read()


def content(ole: olefile.OleFileIO) -> Stored:
    return Stored(ole).object(HEADER).object(CONTENT)


def of_kind(content_: Stored, kind: str) -> list[Stored]:
    return [mob for mob in content_.objects(MOBS) if mob.kind == kind]


def gain_points(group: Stored) -> tuple[np.ndarray, np.ndarray]:
    """Times from 0 to 1 and factors of a gain operation, float64."""
    (value,) = group.objects(PARAMETERS)
    times, factors = [], []
    for point in value.objects(POINTS):
        times.append(float(point.rational(TIME)))
        # An indirect value: byte order, identifier of the type, the value itself.
        stored = point.raw(VALUE)
        assert (stored[0], len(stored)) == (0x4C, 25)
        numerator, denominator = struct.unpack_from("<ii", stored, 17)
        assert denominator >= 2**20
        factors.append(numerator / denominator)
    return np.array(times), np.array(factors)
