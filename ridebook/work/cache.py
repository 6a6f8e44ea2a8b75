"""Analyses and band powers kept by content, so that the same audio is measured once."""

from __future__ import annotations

import contextlib
import hashlib
import io
import os
import zipfile
from collections.abc import Callable, Sequence
from functools import cache
from pathlib import Path
from typing import TypeVar

import msgspec
import numpy as np

from ridebook.audio.output import atomic_write
from ridebook.audio.stems import StemPair
from ridebook.errors import RidebookError
from ridebook.measure.bands import PairBands, StemBands
from ridebook.measure.measures import Measures, StemMeasures
from ridebook.measure.pyramid import Pyramid
from ridebook.segment.spans import Segments
from ridebook.work.analyse import Analysis
from ridebook.work.places import cache_folder

KEPT_BYTES_N = 512 << 20
"""The oldest analyses go when all together are larger than this."""

_ROOMS = ("audio", "measure", "segment")

Kept = TypeVar("Kept")


class AnalysisCache:
    """Analyses in a folder of this user, each under a key made of all that it depends on.

    A damaged, missing or unwritable cache never fails a piece of work: it is then computed again.

    Parameters
    ----------
    folder : Path, optional
        Where to keep them; the system's place for a user's caches where it is left out.
    """

    def __init__(self, folder: Path | None = None) -> None:
        self._folder = folder if folder is not None else cache_folder() / "analyses"

    def key(self, pair: StemPair, sha256s: Sequence[str]) -> str:
        """Key of a pair: content of its files, how they lie on the clock, and the code that measures them."""
        parts = [measuring_code(), *sha256s, *(f"{stem.start_n}:{stem.end_n}:{stem.rate_hz}" for stem in pair.stems)]
        return hashlib.sha256("\n".join(parts).encode()).hexdigest()

    def load(self, key: str) -> Analysis | None:
        """Analysis under `key`, or None where there is none that can be read."""
        return self._loaded(key, _analysis)

    def store(self, key: str, analysis: Analysis) -> None:
        """Keep an analysis; the oldest ones go where all are too many."""
        self._store(key, _arrays(analysis))

    def load_bands(self, key: str) -> PairBands | None:
        """Band powers of the pair under `key`, or None where there are none that can be read."""
        return self._loaded(f"{key}-bands", _bands)

    def store_bands(self, key: str, bands: PairBands) -> None:
        """Keep the band powers of a pair."""
        stems = {f"bed_{i}": bed.power for i, bed in enumerate(bands.beds)}
        if len(bands.beds) > 1:
            stems["bed"] = bands.bed.power
        clock = np.array([bands.vocal.rate_hz, bands.vocal.frames_n, len(bands.beds)])
        self._store(f"{key}-bands", {"clock": clock, "vocal": bands.vocal.power, **stems})

    def _loaded(self, name: str, made: Callable[[dict[str, np.ndarray]], Kept]) -> Kept | None:
        path = self._path(name)
        try:
            content = path.read_bytes()
            with np.load(io.BytesIO(content), allow_pickle=False) as arrays:
                kept = made({each: arrays[each] for each in arrays.files})
        except (OSError, ValueError, KeyError, EOFError, zipfile.BadZipFile, msgspec.DecodeError):
            return None
        with contextlib.suppress(OSError):
            os.utime(path)
        return kept

    def _store(self, name: str, arrays: dict[str, np.ndarray]) -> None:
        content = io.BytesIO()
        np.savez(content, allow_pickle=False, **arrays)
        try:
            self._folder.mkdir(parents=True, exist_ok=True)
            atomic_write(self._path(name), content.getvalue())
            self._thin_out()
        except (OSError, RidebookError):
            return

    def small(self, key: str, kind: type[Kept]) -> Kept | None:
        """Small value of a type under `key`, or None where there is none that can be read."""
        try:
            return msgspec.json.decode((self._folder / f"{key}.json").read_bytes(), type=kind)
        except (OSError, msgspec.MsgspecError):
            return None

    def keep_small(self, key: str, value: object) -> None:
        """Keep a small value: some figures that took long to get."""
        with contextlib.suppress(OSError, RidebookError):
            self._folder.mkdir(parents=True, exist_ok=True)
            atomic_write(self._folder / f"{key}.json", msgspec.json.encode(value))

    def _path(self, key: str) -> Path:
        return self._folder / f"{key}.npz"

    def _thin_out(self) -> None:
        kept = sorted(
            ((entry.stat(), entry) for entry in self._folder.glob("*.npz")), key=lambda item: item[0].st_mtime
        )
        total = sum(stat.st_size for stat, _ in kept)
        for stat, entry in kept[:-1]:
            if total <= KEPT_BYTES_N:
                return
            entry.unlink(missing_ok=True)
            total -= stat.st_size


@cache
def measuring_code() -> str:
    """Hash of the code that an analysis depends on, so that a new version never reads what an old one kept."""
    digest = hashlib.sha256()
    package = Path(__file__).resolve().parent.parent
    for room in _ROOMS:
        for module in sorted((package / room).glob("*.py")):
            digest.update(module.read_bytes())
    digest.update((package / "work" / "analyse.py").read_bytes())
    return digest.hexdigest()


def _arrays(analysis: Analysis) -> dict[str, np.ndarray]:
    measures = analysis.measures
    arrays = {
        "clock": np.array([measures.rate_hz, measures.frames_n, measures.vocal_spread]),
        "vocal": measures.vocal.cell_power,
        "bed": measures.bed.cell_power,
        "beds": np.array([bed.cell_power for bed in measures.beds]),
        "segments": _bytes(analysis.segments),
        "notices": _bytes(analysis.notices),
    }
    for name, pyramid in (("vocal", analysis.vocal_pyramid), ("bed", analysis.bed_pyramid)):
        arrays |= {f"{name}_{part}": array for part, array in pyramid.to_arrays().items()}
    return arrays


def _analysis(arrays: dict[str, np.ndarray]) -> Analysis:
    rate_hz, frames_n, spread = (int(value) for value in arrays["clock"])

    def stem(power: np.ndarray) -> StemMeasures:
        return StemMeasures(rate_hz, frames_n, power)

    def pyramid(name: str) -> Pyramid:
        prefix = f"{name}_"
        return Pyramid.from_arrays(
            {part.removeprefix(prefix): array for part, array in arrays.items() if part.startswith(prefix)}
        )

    beds = tuple(stem(power) for power in arrays["beds"])
    measures = Measures(
        stem(arrays["vocal"]),
        beds,
        beds[0] if len(beds) == 1 else stem(arrays["bed"]),
        vocal_spread=bool(spread),
    )
    return Analysis(
        measures,
        msgspec.json.decode(arrays["segments"].tobytes(), type=Segments),
        pyramid("vocal"),
        pyramid("bed"),
        msgspec.json.decode(arrays["notices"].tobytes(), type=tuple[str, ...]),
    )


def _bands(arrays: dict[str, np.ndarray]) -> PairBands:
    rate_hz, frames_n, beds_n = (int(value) for value in arrays["clock"])

    def stem(name: str) -> StemBands:
        return StemBands(rate_hz, frames_n, arrays[name])

    beds = tuple(stem(f"bed_{i}") for i in range(beds_n))
    return PairBands(stem("vocal"), beds, beds[0] if beds_n == 1 else stem("bed"))


def _bytes(value: object) -> np.ndarray:
    return np.frombuffer(msgspec.json.encode(value), dtype=np.uint8)
