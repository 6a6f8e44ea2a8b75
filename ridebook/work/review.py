"""Everything that a check has to say of a song: findings and proof, with the peaks of what would be rendered."""

from __future__ import annotations

from dataclasses import dataclass

from ridebook.audio.stems import StemPair
from ridebook.check.findings import Finding, Severity, find, time_text
from ridebook.check.proof import Proof, prove
from ridebook.measure.measures import Measures
from ridebook.measure.truepeak import TruePeak
from ridebook.session.document import Session
from ridebook.work.preview import placed
from ridebook.work.render import whole_gain
from ridebook.work.steps import CancelCheck, Progress, never, raise_if, silent

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
    peaks_dbtp : dict of str to float
        True peaks of the ridden stem and the mix.
    """

    findings: tuple[Finding, ...]
    proof: Proof
    peaks_dbtp: dict[str, float]

    def lines(self, rate_hz: int) -> list[str]:
        """Give the review as lines to read."""
        lines = []
        for found in self.findings:
            mark = "must be seen to" if found.severity is Severity.MUST else "worth a look"
            lines.append(f"{time_text(found.start_n, rate_hz)}  {mark}: {found.sentence}")
        before, after = self.proof.before, self.proof.after
        lines.append(f"{len(self.findings)} findings." if lines else "No findings.")
        lines.append(f"Words lost: {before.words_lost} before, {after.words_lost} after, of {self.proof.words}.")
        lines.append(
            f"Phrases outside the aim's band: {before.phrases_out} before, {after.phrases_out} after, "
            f"of {self.proof.phrases}."
        )
        if before.phrase_spread_lu is not None and after.phrase_spread_lu is not None:
            lines.append(
                f"Spread of the phrases' balance: {before.phrase_spread_lu:.1f} LU before, "
                f"{after.phrase_spread_lu:.1f} LU after."
            )
        lines.append(f"{self.proof.breakpoints} breakpoints, {self.proof.breakpoints_per_phrase:.1f} a phrase.")
        lines += [f"True peak of the {what}: {peak:.1f} dBTP." for what, peak in self.peaks_dbtp.items()]
        return lines


def review(
    pair: StemPair,
    session: Session,
    measures: Measures,
    *,
    progress: Progress = silent,
    cancelled: CancelCheck = never,
) -> Review:
    """Check a session on its audio.

    Parameters
    ----------
    pair : StemPair
        The open pair of the session.
    session : Session
        What is checked.
    measures : Measures
        Measures of the pair.
    progress, cancelled
        As for `ridebook.work.analyse.analyse`.

    Raises
    ------
    SourceError
        A file breaks off.
    Cancelled
        The work was called off.
    """
    peaks = true_peaks_dbtp(pair, session, progress, cancelled)
    return Review(find(session, measures, peaks), prove(session, measures), peaks)


def true_peaks_dbtp(
    pair: StemPair, session: Session, progress: Progress = silent, cancelled: CancelCheck = never
) -> dict[str, float]:
    """Measure the true peaks of the ridden stem and of the mix, as they would be rendered.

    Returns
    -------
    dict of str to float
        ``ridden stem`` and ``mix``, in dBTP.
    """
    curve = whole_gain(session.lane, session.trim_db)
    law_db = session.settings.centre_law_db
    stem, mix = TruePeak(pair.rate_hz), TruePeak(pair.rate_hz)
    start_n, end_n = pair.mix_start_n, pair.mix_end_n
    for at_n in range(start_n, end_n, _BLOCK_N):
        raise_if(cancelled)
        stop_n = min(at_n + _BLOCK_N, end_n)
        gain = curve.block(at_n, stop_n)
        gain = gain if isinstance(gain, float) else gain[:, None]
        ridden = pair.vocal.read(at_n, stop_n) * gain
        stem.feed(ridden)
        together = placed(pair.vocal, pair.mix_layout, at_n, stop_n, law_db) * gain
        for bed in pair.beds:
            together = together + placed(bed, pair.mix_layout, at_n, stop_n)
        mix.feed(together)
        progress((stop_n - start_n) / (end_n - start_n))
    return {"ridden stem": stem.dbtp, "mix": mix.dbtp}
