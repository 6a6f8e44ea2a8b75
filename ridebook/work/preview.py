"""What is listened to, rendered block by block just ahead of the playhead."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from enum import StrEnum
from os import PathLike

import numpy as np

from ridebook.audio.files import Layout
from ridebook.audio.plain import write_stereo
from ridebook.audio.stems import BLOCK_N, Stem, StemPair, open_stem, placement
from ridebook.measure.loudness import CellPower, integrated_lufs
from ridebook.measure.measures import Measures, StemMeasures
from ridebook.measure.spans import law_db
from ridebook.ride.lane import Lane
from ridebook.ride.ridden import ridden
from ridebook.session.document import Session
from ridebook.work.opened import opened_pair
from ridebook.work.steps import CancelCheck, Progress, never, raise_if, silent

START_LEVEL_DB = -12.0
"""Level that listening starts at until the user sets it: caution, for long listening at high level damages hearing."""

SMALL_LOW_HZ, SMALL_HIGH_HZ = 300.0, 6000.0
"""What is left on a small loudspeaker, roughly (common practice, no source)."""


class Heard(StrEnum):
    """What is listened to."""

    BEFORE = "as it was"
    RIDDEN = "with rides"
    VOCAL = "vocal"
    BED = "bed"
    REFERENCE = "reference"


@dataclass(frozen=True, slots=True)
class Listening:
    """How it is listened to.

    Parameters
    ----------
    heard : Heard
        What is heard.
    matched : bool
        The mix as it was, the mix with rides and the reference play at one loudness over the whole song; otherwise
        the bed is held fixed and nothing is matched.
    mono : bool
        Folded to one channel.
    small : bool
        As a small loudspeaker gives it.
    level_db : float
        Level of all that is heard, in dB.
    """

    heard: Heard = Heard.RIDDEN
    matched: bool = True
    mono: bool = False
    small: bool = False
    level_db: float = START_LEVEL_DB


def match_db(measures: Measures, lane: Lane, trim_db: float, centre_law_db: float = 0.0) -> float:
    """Gain that brings the mix with rides to the loudness of the mix as it was, over the whole song.

    The loudness is the gated one of ITU-R BS.1770-5, of the sum of the powers of vocal and bed: what they have in
    common in phase is not known to the powers, and would change both mixes nearly alike.

    Returns
    -------
    float
        dB, to be put on the mix with rides; 0 where either mix is silent.
    """
    law = law_db(measures, centre_law_db)
    before = integrated_lufs(_together(measures, ridden(measures.vocal, Lane(), law)))
    after = integrated_lufs(_together(measures, ridden(measures.vocal, lane, trim_db + law)))
    return before - after if np.isfinite(before) and np.isfinite(after) else 0.0


def _together(measures: Measures, vocal: StemMeasures) -> StemMeasures:
    return StemMeasures(vocal.rate_hz, vocal.frames_n, vocal.cell_power + measures.bed.cell_power)


class PreviewRenderer:
    """Renders what is heard, in stereo, at the pair's rate.

    One thread calls `block`; any thread may put another lane, trim, gain or way of listening in place at any time,
    and the next block takes it up.

    Parameters
    ----------
    pair : StemPair
        The open pair.
    reference : Stem, optional
        Another record, at the pair's rate, heard from its own start.
    """

    def __init__(self, pair: StemPair, reference: Stem | None = None) -> None:
        self.pair = pair
        self.reference = reference
        self.lane = Lane()
        self.trim_db = 0.0
        self.centre_law_db = 0.0
        self.match_db = 0.0
        """Gain on the mix with rides when matched, see `match_db`."""
        self.reference_match_db = 0.0
        """Gain on the reference when matched."""
        self.followers: tuple[tuple[Stem, float], ...] = ()
        """Other vocals in the mixes, each with its share of the lane."""
        self.listening = Listening()
        self.clipped_n = 0
        """Samples that were over full scale and were cut off, since the start."""
        self._small = _SmallSpeaker(pair.rate_hz)

    def twin(self) -> PreviewRenderer:
        """Another renderer of the same, to be used beside this one."""
        made = PreviewRenderer(self.pair, self.reference)
        made.lane, made.trim_db, made.centre_law_db = self.lane, self.trim_db, self.centre_law_db
        made.match_db, made.reference_match_db = self.match_db, self.reference_match_db
        made.followers = self.followers
        made.listening = self.listening
        return made

    def block(self, start_n: int, stop_n: int) -> np.ndarray:
        """Render what is heard from `start_n` to `stop_n` (not included).

        Returns
        -------
        ndarray
            float32, shape (frames, 2), within -1 and 1.

        Raises
        ------
        SourceError
            A file broke off.
        """
        how = self.listening
        out = self._mixed(how.heard, start_n, stop_n)
        gain_db = how.level_db
        if how.matched and how.heard is Heard.RIDDEN:
            gain_db += self.match_db
        if how.matched and how.heard is Heard.REFERENCE:
            gain_db += self.reference_match_db
        out *= 10.0 ** (gain_db / 20.0)
        if how.mono:
            out[:] = out.mean(axis=1, keepdims=True)
        if how.small:
            out = self._small.filtered(out)
        over = np.abs(out) > 1.0
        if over.any():
            self.clipped_n += int(over.sum())
            np.clip(out, -1.0, 1.0, out=out)
        return out.astype(np.float32)

    def _mixed(self, heard: Heard, start_n: int, stop_n: int) -> np.ndarray:
        out = np.zeros((stop_n - start_n, 2))
        if heard is Heard.REFERENCE:
            if self.reference is not None:
                out += _in_stereo(self.reference, start_n, stop_n)
            return out
        if heard is not Heard.BED:
            gain_db: np.ndarray | float = 0.0
            if heard is not Heard.BEFORE:
                gain_db = self.trim_db + self.lane.block_db(start_n, stop_n)[:, None]
            out += _in_stereo(self.pair.vocal, start_n, stop_n, self.centre_law_db) * 10.0 ** (gain_db / 20.0)
        if heard is not Heard.VOCAL:
            for bed in self.pair.beds:
                out += _in_stereo(bed, start_n, stop_n)
        if heard in (Heard.BEFORE, Heard.RIDDEN):
            for stem, share in self.followers:
                ride_db = share * self.lane.block_db(start_n, stop_n)[:, None] if heard is Heard.RIDDEN else 0.0
                out += _in_stereo(stem, start_n, stop_n, self.centre_law_db) * 10.0 ** (ride_db / 20.0)
        return out


def placed(stem: Stem, mix: Layout, start_n: int, stop_n: int, centre_law_db: float = 0.0) -> np.ndarray:
    """Frames of a stem in the channels of a mix, float64, shape (frames, mix channels)."""
    return np.asarray(stem.read(start_n, stop_n) @ placement(stem.layout, mix, centre_law_db))


def _in_stereo(stem: Stem, start_n: int, stop_n: int, centre_law_db: float = 0.0) -> np.ndarray:
    return placed(stem, Layout.STEREO, start_n, stop_n, centre_law_db)


def opened_reference(
    path: str | PathLike[str], rate_hz: int, measures: Measures, cancelled: CancelCheck = never
) -> tuple[Stem, float]:
    """Open a record to compare with, and find the gain that makes it as loud as the mix as it was.

    Parameters
    ----------
    path : path-like
        The record.
    rate_hz : int
        The pair's rate; the record is resampled to it.
    measures : Measures
        Measures of the pair.
    cancelled : callable
        Asked between blocks.

    Returns
    -------
    tuple of (Stem, float)
        The open record, for the caller to close, and a gain in dB.

    Raises
    ------
    SourceError
        The record cannot serve.
    Cancelled
        The work was called off.
    """
    stem = open_stem(path, rate_hz)
    try:
        power = CellPower(rate_hz, stem.layout.weights.tolist())
        for _, block in stem.blocks():
            raise_if(cancelled)
            power.feed(block)
        own_lufs = integrated_lufs(_together(measures, measures.vocal))
        record_lufs = integrated_lufs(power.measures())
    except BaseException:
        stem.close()
        raise
    return stem, own_lufs - record_lufs if np.isfinite(own_lufs) and np.isfinite(record_lufs) else 0.0


def opened_followers(session: Session, cancelled: CancelCheck = never) -> tuple[Stem, ...]:
    """Open the followers of a session on the vocal's clock, decoded as far as they must be.

    Returns
    -------
    tuple of Stem
        For the caller to close.

    Raises
    ------
    SourceError
        A file of the session cannot serve.
    Cancelled
        The work was called off.
    """
    pair = opened_pair(session, with_followers=True)
    try:
        for stem in pair.stems:
            stem.close()
        for stem in pair.followers:
            raise_if(cancelled)
            stem.read(stem.end_n - 1, stem.end_n)  # what listens must not wait for all that comes before
    except BaseException:
        pair.close()
        raise
    return pair.followers


def save_preview(
    renderer: PreviewRenderer,
    target: str | PathLike[str],
    start_n: int,
    stop_n: int,
    progress: Progress = silent,
    cancelled: CancelCheck = never,
) -> None:
    """Write what is heard from `start_n` to `stop_n` (not included) to a float WAV file.

    Parameters
    ----------
    renderer : PreviewRenderer
        What is heard; not one that plays meanwhile.
    target : path-like
        The file to write.
    progress, cancelled
        As for `ridebook.work.analyse.analyse`.

    Raises
    ------
    OutputError
        The file cannot be written, or is a source.
    SourceError
        A source breaks off.
    Cancelled
        The work was called off; nothing was written.
    """

    def blocks() -> Iterator[np.ndarray]:
        for at_n in range(start_n, stop_n, BLOCK_N):
            raise_if(cancelled)
            to_n = min(at_n + BLOCK_N, stop_n)
            yield renderer.block(at_n, to_n)
            progress((to_n - start_n) / (stop_n - start_n))

    sources = [*renderer.pair.stems, *(stem for stem, _ in renderer.followers)]
    write_stereo(target, renderer.pair.rate_hz, blocks(), [stem.path for stem in sources])


class _SmallSpeaker:
    """Band that a small loudspeaker leaves, with its state from block to block."""

    def __init__(self, rate_hz: int) -> None:
        self._rate_hz = rate_hz
        self._sos: np.ndarray | None = None
        self._state: np.ndarray | None = None

    def filtered(self, block: np.ndarray) -> np.ndarray:
        from scipy import signal  # here, since importing it takes longer than most of a command

        if self._sos is None or self._state is None:
            high = min(SMALL_HIGH_HZ, 0.45 * self._rate_hz)
            self._sos = signal.butter(2, (SMALL_LOW_HZ, high), "bandpass", fs=self._rate_hz, output="sos")
            self._state = np.zeros((len(self._sos), 2, 2))
        out, self._state = signal.sosfilt(self._sos, block, axis=0, zi=self._state)
        return np.asarray(out)
