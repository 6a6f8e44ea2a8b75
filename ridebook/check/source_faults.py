"""Faults of the sources: a vocal that clips or has an offset, a pair that does not fit together, files that changed."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from ridebook.check.finding import Cure, CureKind, Finding, Severity, counted, time_text
from ridebook.measure.measures import CELLS_PER_S, Measures
from ridebook.session.document import Session

CLIPPED_RUNS = 3
"""Fewer flat tops are chance: three samples in a row can be alike at the top of one low wave."""

OFFSET_LIMIT = 0.003
"""A constant part of more than this of full scale (-50 dBFS) thumps when a ride moves it (common practice, no
source)."""

SIDES_LIMIT = -0.5
"""Left and right of a vocal that are less alike than this cancel in mono: a wide take is near 0."""

SHARED_LIMIT = 0.25
"""Vocal and bed more alike than this share their samples: unrelated music is under 0.05, and a vocal that stands as
loud as the bed that holds it gives 0.7."""

ONSETS_SURE = 8.0
"""Onsets of vocal and bed are said to belong together where their correlation is this many times what chance gives, the
root of one over the number of cells: more than twice what two songs without any relation gave."""

ONSETS_PART = 0.5
"""The pair is probably not aligned where they meet half as well as they would elsewhere, or less."""

UNRELATED_DB = -3.0
"""Where more than half of a mix's energy is left over, it is another mix, or another song."""

ONSETS_NEAR_S = 0.04
"""Onsets this close meet: a singer's own freedom in time (common practice, no source)."""

ONSETS_FAR_S = 3.0
"""How far off a better place is looked for."""


@dataclass(frozen=True, slots=True)
class OnsetFit:
    """How the onsets of vocal and bed meet.

    Parameters
    ----------
    here : float
        Correlation as the two lie, the highest within `ONSETS_NEAR_S`.
    best : float
        Highest correlation within `ONSETS_FAR_S`.
    move_s : float
        By how much later the vocal would have to lie to meet the bed as well, the least such move.
    chance : float
        Correlation that chance gives.
    """

    here: float
    best: float
    move_s: float
    chance: float


@dataclass(frozen=True, slots=True)
class MixFit:
    """How vocal plus bed come to the mix that was approved.

    Parameters
    ----------
    name : str
        Name of its file.
    vocal_db, bed_db : float
        Gains of vocal and bed whose sum comes nearest to it.
    left_over_db : float
        Energy that this sum leaves over, against the mix's own.
    moves_db : tuple of (float, float)
        Between which its level moves against that sum from second to second.
    late_s : float
        By how much later it has the same music.
    """

    name: str
    vocal_db: float
    bed_db: float
    left_over_db: float
    moves_db: tuple[float, float] = (0.0, 0.0)
    late_s: float = 0.0

    @property
    def vocal_over_bed_db(self) -> float:
        """How much higher it has the vocal over the bed than the files."""
        return self.vocal_db - self.bed_db


@dataclass(frozen=True, slots=True)
class SourceHealth:
    """What was measured of the sources beside their powers.

    Parameters
    ----------
    clipped : tuple of (int, int)
        Flat tops of the vocal: first frame and frame after the last of each.
    peak_dbfs : float
        Height of the flat tops; the sample peak where there are none.
    offset : float
        Constant part of the vocal, of full scale, of the channel that has most.
    sides : float or None
        Correlation of left and right of a stereo vocal; None for others.
    shared : float
        Correlation of the vocal's samples with the bed's, where it is highest within a tenth of a second.
    onsets : OnsetFit or None
        How their onsets meet; None where there is no onset in one of them.
    changed : tuple of str
        Names of the files whose content is not what the session was made on.
    mix : MixFit or None
        How vocal and bed come to the approved mix, where one was given.
    """

    clipped: tuple[tuple[int, int], ...] = ()
    peak_dbfs: float = -math.inf
    offset: float = 0.0
    sides: float | None = None
    shared: float = 0.0
    onsets: OnsetFit | None = None
    changed: tuple[str, ...] = ()
    mix: MixFit | None = None


def onset_fit(measures: Measures) -> OnsetFit | None:
    """How the onsets of vocal and bed meet, by the correlation of their rises in level.

    Parameters
    ----------
    measures : Measures
        Measures of the pair.
    """
    vocal, bed = _rises(measures.vocal.cell_power), _rises(measures.bed.cell_power)
    norm = math.sqrt(float(vocal @ vocal) * float(bed @ bed))
    far, near = round(ONSETS_FAR_S * CELLS_PER_S), round(ONSETS_NEAR_S * CELLS_PER_S)
    if norm == 0.0 or len(vocal) <= 2 * far:
        return None
    size = 1 << (len(vocal) + 2 * far).bit_length()
    product = np.fft.irfft(np.fft.rfft(bed, size) * np.conj(np.fft.rfft(vocal, size)), size) / norm
    meets = np.concatenate([product[-far:], product[: far + 1]])
    best = float(meets.max())
    around = np.lib.stride_tricks.sliding_window_view(np.pad(meets, near, constant_values=-np.inf), 2 * near + 1)
    tops = np.flatnonzero((meets == around.max(axis=1)) & (meets >= 0.85 * best))
    move = int(tops[np.argmin(np.abs(tops - far))]) - far
    here = float(meets[far - near : far + near + 1].max())
    return OnsetFit(here, best, move / CELLS_PER_S, 1.0 / math.sqrt(len(vocal)))


def source_faults(session: Session, health: SourceHealth) -> Iterator[Finding]:
    """Faults of the sources."""
    frames_n, rate_hz = session.vocal.frames_n, session.vocal.rate_hz

    def whole(key: str, severity: Severity, sentence: str, value: float, limit: float, unit: str) -> Finding:
        return Finding(key, severity, 0, frames_n, sentence, value, limit, unit)

    for name in health.changed:
        yield whole(
            f"stale:{name}",
            Severity.MUST,
            f"{name} is not the file that this session was made on: its content has changed. Take it in as a new "
            "version, or put the old one back.",
            1.0,
            0.0,
            "files",
        )
    if len(health.clipped) >= CLIPPED_RUNS:
        places = ", ".join(time_text(start_n, rate_hz) for start_n, _ in _spread_out(health.clipped, rate_hz)[:3])
        yield Finding(
            "clipped:vocal",
            Severity.LOOK,
            health.clipped[0][0],
            health.clipped[-1][1],
            f"The vocal is clipped at {health.peak_dbfs:+.1f} dBFS in {counted(len(health.clipped), 'place')}, first "
            f"at {places}. No ride mends that: ask for the take before it clipped.",
            float(len(health.clipped)),
            float(CLIPPED_RUNS),
            "places",
        )
    if abs(health.offset) > OFFSET_LIMIT:
        yield whole(
            "offset:vocal",
            Severity.LOOK,
            f"The vocal has a constant part (DC) of {100 * health.offset:+.1f} % of full scale, which thumps where a "
            "ride moves it. High-pass it at the source.",
            100 * health.offset,
            math.copysign(100 * OFFSET_LIMIT, health.offset),
            "%",
        )
    if health.sides is not None and health.sides < SIDES_LIMIT:
        yield whole(
            "sides:vocal",
            Severity.MUST,
            f"Left and right of the vocal have opposite polarity (correlation {health.sides:+.2f}) and cancel in mono. "
            "Turn one of them over at the source.",
            health.sides,
            SIDES_LIMIT,
            "correlation",
        )
    if abs(health.shared) > SHARED_LIMIT:
        how, harm = ("as it is", "heard twice") if health.shared > 0 else ("with its polarity turned over", "cancelled")
        yield whole(
            "shared:bed",
            Severity.MUST,
            f"The bed probably holds the vocal too, {how} (correlation {health.shared:+.2f}), so that the vocal is "
            f"{harm}. Export the bed without it.",
            health.shared,
            math.copysign(SHARED_LIMIT, health.shared),
            "correlation",
        )
    if health.mix is not None:
        yield from _mix_faults(session, health.mix)
    onsets = health.onsets
    if onsets is not None and onsets.best > ONSETS_SURE * onsets.chance and onsets.here < ONSETS_PART * onsets.best:
        yield whole(
            "aligned:pair",
            Severity.LOOK,
            "Vocal and bed are probably not aligned: their onsets would meet with the vocal "
            f"{abs(onsets.move_s):.2f} s {'later' if onsets.move_s > 0 else 'earlier'}, or a beat beside that. "
            "Check where both files start.",
            onsets.move_s,
            math.copysign(ONSETS_NEAR_S, onsets.move_s),
            "s",
        )


def _mix_faults(session: Session, fit: MixFit) -> Iterator[Finding]:
    frames_n = session.vocal.frames_n
    if fit.left_over_db > session.limits.left_over_db:
        if fit.left_over_db > UNRELATED_DB:
            why = "It is another mix, or another version of these files."
        else:
            low_db, high_db = fit.moves_db
            late = "" if abs(fit.late_s) < 0.001 else f" It has the music {fit.late_s:+.3f} s later."
            why = (
                f"Against the sum its level moves by {low_db:+.1f} to {high_db:+.1f} dB: its bus does more than add, "
                f"so that rides will come out of it otherwise than shown here.{late}"
            )
        yield Finding(
            "sum:mix",
            Severity.LOOK,
            0,
            frames_n,
            f"Vocal plus bed do not add up to {fit.name}: what is left over is {-fit.left_over_db:.0f} dB under it, "
            f"and {-session.limits.left_over_db:.0f} dB would be as good as nothing. {why}",
            fit.left_over_db,
            session.limits.left_over_db,
            "dB",
        )
    higher_db = fit.vocal_over_bed_db
    if fit.left_over_db <= UNRELATED_DB and abs(higher_db - session.trim_db) > session.limits.vocal_level_db:
        by_db = higher_db - session.trim_db
        yield Finding(
            "level:mix",
            Severity.LOOK,
            0,
            frames_n,
            f"In {fit.name}, which was approved, the vocal stands {higher_db:+.1f} dB against the level of the files; "
            f"the trim here is {session.trim_db:+.1f} dB.",
            higher_db,
            session.trim_db,
            "dB",
            Cure(CureKind.TRIM, f"Set the trim to {higher_db:+.1f} dB", value_db=by_db),
        )


def _rises(power: np.ndarray) -> np.ndarray:
    """Rises in level over three cells, at most 12 dB each, about their mean."""
    top = float(power.max(initial=0.0))
    if top <= 0.0 or len(power) < 4:
        return np.zeros(len(power))
    level = 10.0 * np.log10(power + 1e-5 * top)
    rise = np.clip(level[3:] - level[:-3], 0.0, 12.0)
    return np.asarray(rise - rise.mean())


def _spread_out(places: tuple[tuple[int, int], ...], rate_hz: int) -> list[tuple[int, int]]:
    """Places that are at least a second apart."""
    kept: list[tuple[int, int]] = []
    for place in places:
        if not kept or place[0] - kept[-1][0] >= rate_hz:
            kept.append(place)
    return kept
