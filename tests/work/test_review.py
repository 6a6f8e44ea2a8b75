"""The meters of a check against independent ones, on what is rendered."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pyebur128
import pyloudnorm
import pytest
import soundfile

from ridebook.session.document import Session, SourceFile
from ridebook.session.edits import ink, set_references
from ridebook.work.demo import demo_sources
from ridebook.work.hand_over import HandOver, Output, What, hand_over
from ridebook.work.peaks import heights_of, true_peaks
from ridebook.work.review import Review, review
from ridebook.work.song import open_song


@pytest.fixture(scope="module")
def checked(tmp_path_factory: pytest.TempPathFactory) -> tuple[Review, Session, Path]:
    """The demo song with everything inked, its check, and what is rendered of it."""
    folder = tmp_path_factory.mktemp("rendered")
    vocal, beds = demo_sources()
    song = open_song(vocal, beds)
    with song.pair:
        session = ink(song.session, song.suggestion)
        broken = folder / "record.wav"
        broken.write_text("no audio any more")
        session = set_references(session, [SourceFile(str(broken), "0" * 64, 48_000, 2, 480_000)])
        made = review(song.pair, session, song.analysis.measures)
        names = ((What.STEM, "stem.wav"), (What.MIX, "mix.wav"))
        hand_over(session, HandOver(tuple(Output(what, folder / name) for what, name in names)))
        heights = heights_of(song.pair, session.settings.centre_law_db)
        assert true_peaks(song.pair, session, heights).dbtp == {
            "ridden stem": made.proof.rendered_after.stem.true_peak_dbtp,
            "mix": made.proof.rendered_after.mix.true_peak_dbtp,
        }
    return made, session, folder


@pytest.mark.parametrize("what", ["stem", "mix"])
def test_loudness_range_and_peaks_agree_with_independent_meters(
    checked: tuple[Review, Session, Path], what: str
) -> None:
    made, _, folder = checked
    samples, rate_hz = soundfile.read(folder / f"{what}.wav", always_2d=True)
    meter = getattr(made.proof.rendered_after, what)
    assert meter.integrated_lufs == pytest.approx(pyloudnorm.Meter(rate_hz).integrated_loudness(samples), abs=0.1)
    other = pyebur128.R128State(
        samples.shape[1], rate_hz, pyebur128.MeasurementMode.MODE_TRUE_PEAK | pyebur128.MeasurementMode.MODE_LRA
    )
    other.add_frames(samples.astype(np.float32).ravel(), len(samples))
    peak = max(pyebur128.get_true_peak(other, channel) for channel in range(samples.shape[1]))
    # EBU Tech 3341 allows +0.2/-0.4 dB; the other meter over-samples four times, this one eight.
    assert meter.true_peak_dbtp == pytest.approx(20 * np.log10(peak), abs=0.3)
    assert meter.loudness_range_lu == pytest.approx(pyebur128.get_loudness_range(other), abs=0.3)


def test_a_reference_that_serves_no_longer_is_told_and_ends_nothing(checked: tuple[Review, Session, Path]) -> None:
    made, session, _ = checked
    assert made.proof.references == ()
    (line,) = (line for line in made.lines(session.vocal.rate_hz) if line.startswith("Reference"))
    assert line.startswith("Reference record.wav: ")


def test_before_is_the_source_with_the_trim(checked: tuple[Review, Session, Path]) -> None:
    made, session, _ = checked
    samples, rate_hz = soundfile.read(session.vocal.path)
    before = made.proof.rendered_before.stem
    loudness = pyloudnorm.Meter(rate_hz).integrated_loudness(samples) + session.trim_db
    assert before.integrated_lufs == pytest.approx(loudness, abs=0.1)


def test_spread_of_the_phrases_agrees_with_one_from_the_samples(checked: tuple[Review, Session, Path]) -> None:
    made, session, folder = checked
    meter = pyloudnorm.Meter(session.vocal.rate_hz)
    stems = [soundfile.read(folder / "stem.wav")[0]] * 2
    bed = sum(soundfile.read(bed.path)[0] for bed in session.beds)
    powers = []
    for channels in (stems, bed.T):
        total = np.zeros(len(bed))
        for channel in channels:
            for stage in meter._filters.values():
                channel = stage.apply_filter(channel)
            total += channel**2
        powers.append(total)
    spans = [slice(phrase.start_n, phrase.end_n) for phrase in session.segments.phrases]
    balances = [10 * np.log10(powers[0][span].mean() / powers[1][span].mean()) for span in spans]
    assert made.proof.after.phrase_spread_lu == pytest.approx(np.std(balances), abs=0.05)


def test_lines_tell_findings_and_meters(checked: tuple[Review, Session, Path]) -> None:
    made, session, _ = checked
    lines = [line for line in made.lines(session.vocal.rate_hz) if not line.startswith("Reference")]
    assert len(lines) == len(made.findings) + 10
    assert lines[len(made.findings)] == f"{len(made.findings)} findings."
    peak = made.proof.rendered_after.mix.true_peak_dbtp
    assert lines[-2].endswith(f"true peak {peak:.1f} dBTP.")
    assert lines[-1].startswith("The voice stands at ")
