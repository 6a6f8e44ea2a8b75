"""Everything that a check has to say of a song: findings and proof, with the meters of what would be rendered."""

from __future__ import annotations

import contextlib
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from pathlib import Path

from ridebook.audio.stems import StemPair
from ridebook.check.findings import Finding, Severity, find, time_text
from ridebook.check.proof import Metered, Outputs, Proof, prove
from ridebook.check.source_faults import SourceHealth
from ridebook.errors import SourceError
from ridebook.exchange.manifest import finite
from ridebook.exchange.report import Report, report_of
from ridebook.measure.filemeter import measure_file
from ridebook.measure.measures import Measures
from ridebook.ride.hearing import Hearing
from ridebook.ride.lane import Lane
from ridebook.session.document import Session
from ridebook.work.blocks import bed_placed, gain_column, voices_placed
from ridebook.work.cache import AnalysisCache
from ridebook.work.hearing import session_hearing
from ridebook.work.meter import Meter
from ridebook.work.reference import against_line, learn_all
from ridebook.work.render import voice_curves
from ridebook.work.source_health import source_health
from ridebook.work.steps import CancelCheck, Progress, never, part_of, raise_if, silent

_BLOCK_N = 1 << 16


@dataclass(frozen=True, slots=True)
class Review:
    """What a check has to say.

    Parameters
    ----------
    findings : tuple of Finding
        What must be seen to first, each in order of time.
    proof : Proof
        Figures before and after.
    health : SourceHealth
        What was measured of the sources.
    hearing : Hearing
        What the words take to be heard.
    """

    findings: tuple[Finding, ...]
    proof: Proof
    health: SourceHealth
    hearing: Hearing

    def lines(self, rate_hz: int) -> list[str]:
        """Give the review as lines to read."""
        lines = []
        for found in self.findings:
            mark = "must be seen to" if found.severity is Severity.MUST else "worth a look"
            lines.append(f"{time_text(found.start_n, rate_hz)}  {mark}: {found.sentence}")
        proof = self.proof
        before, after = proof.before, proof.after
        lines.append(f"{len(self.findings)} finding{'s' * (len(lines) != 1)}." if lines else "No findings.")
        lines.append(
            f"Words lost by {proof.lost_by.value}: {before.words_lost} before, {after.words_lost} after, "
            f"of {proof.words}."
        )
        lines.append(f"Words far under the aim: {before.words_sunk} before, {after.words_sunk} after.")
        lines.append(
            f"Phrases outside the aim's band: {before.phrases_out} before, {after.phrases_out} after, "
            f"of {proof.phrases}."
        )
        if before.phrase_spread_lu is not None and after.phrase_spread_lu is not None:
            lines.append(
                f"Spread of the phrases' balance: {before.phrase_spread_lu:.1f} LU before, "
                f"{after.phrase_spread_lu:.1f} LU after."
            )
        if proof.dynamics_kept is not None:
            inside = proof.word_dynamics_kept
            words = "" if inside is None else f", between the words of a phrase {100 * inside:.0f} %"
            lines.append(f"Of the singer's dynamics between phrases {100 * proof.dynamics_kept:.0f} % are kept{words}.")
        lines.append(f"{proof.breakpoints} breakpoints, {proof.breakpoints_per_phrase:.1f} a phrase.")
        if proof.rendered_before is not None and proof.rendered_after is not None:
            for what, one, two in (
                ("vocal", proof.rendered_before.stem, proof.rendered_after.stem),
                ("mix", proof.rendered_before.mix, proof.rendered_after.mix),
            ):
                lines.append(f"Before the rides, the {what}: {_meter_line(one)}. After: {_meter_line(two)}.")
        if proof.song_before_lu is not None and proof.song_after_lu is not None:
            before_lu, after_lu = proof.song_before_lu, proof.song_after_lu
            lines.append(f"The voice stands at {before_lu:+.1f} LU before the rides, {after_lu:+.1f} LU after.")
        lines += [f"Reference {name}: {_meter_line(meter)}." for name, meter in proof.references]
        lines += [f"Reference {against_line(known, proof.song_after_lu)}" for known in proof.balances]
        return lines


def review(
    pair: StemPair,
    session: Session,
    measures: Measures,
    *,
    hearing: Hearing | None = None,
    cache: AnalysisCache | None = None,
    progress: Progress = silent,
    cancelled: CancelCheck = never,
) -> Review:
    """Check a session on its audio.

    Parameters
    ----------
    pair : StemPair
        The open pair of the session, with its followers.
    session : Session
        What is checked.
    measures : Measures
        Measures of the pair.
    hearing : Hearing, optional
        What its words take to be heard; listened for where it is left out or of other words.
    cache : AnalysisCache, optional
        Where what is listened for may be kept.
    progress, cancelled
        As for `ridebook.work.analyse.analyse`.

    Raises
    ------
    SourceError
        A file breaks off.
    Cancelled
        The work was called off.
    """
    health = source_health(pair, session, measures, part_of(progress, 0, 5), cancelled)
    if hearing is None or not hearing.fits(session.segments.words, session.settings.listening_level_db):
        told = part_of(progress, 1, 5)
        hearing = session_hearing(session, pair, measures, cache=cache, progress=told, cancelled=cancelled)
    before, after = _metered(pair, session, part_of(progress, 2, 5), cancelled)
    references = []
    for i, reference in enumerate(session.references):
        # Of one that serves no longer it is told below why.
        with contextlib.suppress(SourceError):
            told = part_of(part_of(progress, 3, 5), i, len(session.references))
            loudness = measure_file(reference.path, progress=told)
            peak = finite(loudness.true_peak_dbtp)
            meter = Metered(finite(loudness.integrated_lufs), loudness.loudness_range_lu, peak)
            references.append((Path(reference.path).name, meter))
    learnt = learn_all(
        session.references,
        session.reference_pairs,
        session.settings.centre_law_db,
        cache=cache,
        progress=part_of(progress, 4, 5),
        cancelled=cancelled,
    )
    proof = replace(
        prove(session, measures, hearing),
        rendered_before=before,
        rendered_after=after,
        references=tuple(references),
        balances=tuple(each.known for each in learnt),
    )
    peaks = {"ridden stem": after.stem.true_peak_dbtp, "mix": after.mix.true_peak_dbtp}
    known = {what: peak for what, peak in peaks.items() if peak is not None}
    progress(1.0)
    return Review(find(session, measures, known, health=health, hearing=hearing), proof, health, hearing)


def reported(
    pair: StemPair,
    session: Session,
    measures: Measures,
    *,
    hearing: Hearing | None = None,
    cache: AnalysisCache | None = None,
    progress: Progress = silent,
    cancelled: CancelCheck = never,
) -> Report:
    """Check a session and gather the report on it; takes and raises what `review` does."""
    reviewed = review(pair, session, measures, hearing=hearing, cache=cache, progress=progress, cancelled=cancelled)
    return report_of(session, measures, reviewed.findings, reviewed.proof, reviewed.hearing)


def _metered(pair: StemPair, session: Session, progress: Progress, cancelled: CancelCheck) -> tuple[Outputs, Outputs]:
    """Meters with the trim alone, and with trim and rides."""
    layouts = pair.vocal.layout, pair.mix_layout
    law_db = session.settings.centre_law_db
    both = [voice_curves(each) for each in (replace(session, lane=Lane()), session)]
    with ThreadPoolExecutor(2, "meter") as worker:
        meters = [[Meter(pair.rate_hz, layout, worker) for layout in layouts] for _ in both]
        for at_n in range(pair.mix_start_n, pair.mix_end_n, _BLOCK_N):
            raise_if(cancelled)
            stop_n = min(at_n + _BLOCK_N, pair.mix_end_n)
            bed, alone = bed_placed(pair, at_n, stop_n), pair.vocal.read(at_n, stop_n)
            voices = voices_placed(pair, at_n, stop_n, law_db)
            # The stem is metered over the vocal's own length, as its file is.
            first = max(0, -at_n)
            last = len(alone) - max(0, stop_n - pair.frames_n)
            for (stem, mix), curves in zip(meters, both, strict=True):
                gains = [gain_column(curve, at_n, stop_n) for curve in curves]
                if last > first:
                    stem.feed((alone * gains[0])[first:last])
                mix.feed(sum(voice * gain for voice, gain in zip(voices, gains, strict=True)) + bed)
            progress((stop_n - pair.mix_start_n) / (pair.mix_end_n - pair.mix_start_n))
        before, after = (Outputs(*(_figures(meter) for meter in pairs)) for pairs in meters)
    return before, after


def _figures(meter: Meter) -> Metered:
    figures = meter.figures()
    return Metered(finite(figures.integrated_lufs), figures.range_lu, finite(figures.true_peak_dbtp))


def _meter_line(meter: Metered) -> str:
    def told(value: float | None, unit: str) -> str:
        return f"-inf {unit}" if value is None else f"{value:.1f} {unit}"

    return (
        f"{told(meter.integrated_lufs, 'LUFS')}, range {meter.loudness_range_lu:.1f} LU, "
        f"true peak {told(meter.true_peak_dbtp, 'dBTP')}"
    )
