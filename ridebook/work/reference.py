"""References: how loud the voice stands in other songs, learnt from their stems or from their finished mixes."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from ridebook.audio.files import Layout, read_info
from ridebook.audio.stems import open_pair, open_stem, placement
from ridebook.errors import SourceError
from ridebook.measure.centre import CentreAccumulator, CentreEstimate, centre_balance
from ridebook.ride.reference import KnownBalance, PairStanding, ReferenceKind, aim_of, pair_standing
from ridebook.ride.settings import RideSettings
from ridebook.session.document import ReferencePair, SourceFile
from ridebook.work.cache import AnalysisCache, measuring_code
from ridebook.work.song import analysed, source_file
from ridebook.work.steps import CancelCheck, Progress, never, part_of, raise_if, silent


@dataclass(frozen=True, slots=True)
class Learnt:
    """What was learnt from one reference.

    Parameters
    ----------
    known : KnownBalance
        Its balance.
    standing : PairStanding or None
        How the voice stands there in parts; None where there are no stems.
    """

    known: KnownBalance
    standing: PairStanding | None = None

    def line(self) -> str:
        """Give it as a line to read."""
        known = self.known
        if known.balance_lu is None:
            return f"{known.name}: {known.note}"
        if known.kind is ReferenceKind.PUBLISHED:
            return f"{known.name}: about {known.balance_lu:+.1f} LU. {known.note}"
        if known.half_width_lu:
            return (
                f"{known.name}: the voice stands at about {known.balance_lu:+.1f} LU, in 9 of 10 songs within "
                f"{known.half_width_lu:.1f} LU of that.{f' {known.note}' if known.note else ''}"
            )
        parts = [f"{known.name}: the voice stands at {known.balance_lu:+.1f} LU"]
        if self.standing is not None and len(self.standing.sections) > 1:
            parts.append(", ".join(f"{label} {lu:+.1f}" for label, lu in self.standing.sections))
        if self.standing is not None and self.standing.word_spread_lu is not None:
            parts.append(f"one word to the next {self.standing.word_spread_lu:.1f} LU")
        return "; ".join(parts) + "."


def against_line(known: KnownBalance, song_lu: float | None) -> str:
    """Say in a line how a song stands against a reference."""
    line = Learnt(known).line()
    if known.balance_lu is None or song_lu is None:
        return line
    apart_lu = song_lu - known.balance_lu
    side = "over" if apart_lu >= 0 else "under"
    surely = " That is within what is known of it." if 0.1 < abs(apart_lu) <= known.half_width_lu else ""
    return f"{line} This song stands {abs(apart_lu):.1f} LU {side} it.{surely}"


def reference_pair(vocal: str | Path, beds: Sequence[str | Path]) -> ReferencePair:
    """Note down vocal and bed of another song for a session.

    Raises
    ------
    SourceError
        A file cannot serve.
    SettingError
        There is no bed.
    """
    return ReferencePair(noted(vocal), tuple(noted(bed) for bed in beds))


def noted(path: str | Path) -> SourceFile:
    """Note down a file for a session.

    Raises
    ------
    SourceError
        It cannot serve.
    """
    return source_file(read_info(path))


def learn_from_pair(
    pair: ReferencePair,
    centre_law_db: float = 0.0,
    *,
    cache: AnalysisCache | None = None,
    progress: Progress = silent,
    cancelled: CancelCheck = never,
) -> Learnt:
    """Balance of the vocal and bed of another song.

    Parameters
    ----------
    pair : ReferencePair
        Its files.
    centre_law_db : float
        As for `ridebook.measure.spans.balance_lu`.
    cache, progress, cancelled
        As for `ridebook.work.song.open_song`.

    Raises
    ------
    SourceError
        A file cannot serve.
    Cancelled
        The work was called off.
    """
    with open_pair(pair.vocal.path, [bed.path for bed in pair.beds]) as opened:
        analysis = analysed(opened, pair.sources, cache, progress, cancelled)
    stands = pair_standing(analysis.measures, analysis.segments, centre_law_db)
    name = Path(pair.vocal.path).name
    if stands.balance_lu is None:
        note = "no voice was found over a bed there."
        return Learnt(KnownBalance(name, ReferenceKind.PAIR, None, note=note), stands)
    return Learnt(KnownBalance(name, ReferenceKind.PAIR, stands.balance_lu), stands)


def learn_from_mix(
    mix: SourceFile,
    *,
    cache: AnalysisCache | None = None,
    progress: Progress = silent,
    cancelled: CancelCheck = never,
) -> Learnt:
    """Estimate the balance of a finished mix; parameters and errors as for `learn_from_pair`."""
    key = hashlib.sha256(f"{measuring_code()}\ncentre\n{mix.sha256}".encode()).hexdigest()
    estimate = cache.small(key, CentreEstimate) if cache is not None else None
    if estimate is None:
        estimate = _estimated(mix.path, progress, cancelled)
        if cache is not None:
            cache.keep_small(key, estimate)
    progress(1.0)
    name = Path(mix.path).name
    return Learnt(KnownBalance(name, ReferenceKind.MIX, estimate.balance_lu, estimate.half_width_lu, estimate.note))


def _estimated(path: str, progress: Progress, cancelled: CancelCheck) -> CentreEstimate:
    with open_stem(path) as stem:
        in_stereo = placement(stem.layout, Layout.STEREO)
        gathered = CentreAccumulator(stem.rate_hz)
        for start_n, block in stem.blocks():
            raise_if(cancelled)
            gathered.feed(block @ in_stereo)
            progress((start_n + len(block)) / stem.info.frames_n)
        return centre_balance(gathered.finish())


def learn_all(
    mixes: Sequence[SourceFile],
    pairs: Sequence[ReferencePair],
    centre_law_db: float = 0.0,
    *,
    cache: AnalysisCache | None = None,
    progress: Progress = silent,
    cancelled: CancelCheck = never,
) -> tuple[Learnt, ...]:
    """Learn from every reference, pairs first; one whose files are gone, or serve no longer, says so.

    Raises
    ------
    Cancelled
        The work was called off.
    """
    jobs: list[tuple[SourceFile, ReferenceKind, tuple[SourceFile, ...], Callable[[Progress], Learnt]]] = []
    for pair in pairs:

        def from_pair(told: Progress, pair: ReferencePair = pair) -> Learnt:
            return learn_from_pair(pair, centre_law_db, cache=cache, progress=told, cancelled=cancelled)

        jobs.append((pair.vocal, ReferenceKind.PAIR, pair.sources, from_pair))
    for mix in mixes:

        def from_mix(told: Progress, mix: SourceFile = mix) -> Learnt:
            return learn_from_mix(mix, cache=cache, progress=told, cancelled=cancelled)

        jobs.append((mix, ReferenceKind.MIX, (mix,), from_mix))
    if not jobs:
        return ()
    learnt = []
    for i, (source, kind, needed, learn) in enumerate(jobs):
        try:
            if all(Path(each.path).is_file() for each in needed):
                learnt.append(learn(part_of(progress, i, len(jobs))))
                continue
            note = "it is no longer where it was."
        except SourceError as error:
            note = f"{error}."
        learnt.append(Learnt(KnownBalance(Path(source.path).name, kind, None, note=note)))
    progress(1.0)
    return tuple(learnt)


def with_aim_of(settings: RideSettings, references: Sequence[KnownBalance]) -> RideSettings:
    """Give settings the aim that references ask for; they stay the same where these tell nothing."""
    asked = aim_of(references)
    return settings if asked is None else replace(settings, aim_lu=round(asked.aim_lu, 1))


def aim_line(settings: RideSettings, references: Sequence[KnownBalance]) -> str:
    """Say in a line which aim references ask for, and how far the trim goes over it."""
    asked = aim_of(references)
    if asked is None:
        return "The references tell no balance; the aim stays as it is."
    among = f" from {asked.low_lu:+.1f} to {asked.high_lu:+.1f} LU" if asked.references_n > 1 else ""
    of = "1 reference" if asked.references_n == 1 else f"{asked.references_n} references{among}"
    return (
        f"Aim: {asked.aim_lu:+.1f} LU by {of}, within {asked.half_width_lu:.1f} LU; "
        f"the trim goes {settings.lean_lu:g} LU over it, to err on the loud side."
    )
