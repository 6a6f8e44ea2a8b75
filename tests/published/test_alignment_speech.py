"""Words of English laid on recorded speech whose word times others made by hand.

Sources: the example recordings of praatio 6.2.2 (bobby, mary: MIT licence) and phonlab 0.0.70 (im_twelve, two_plus_two,
three_plus_five: BSD licence). Small: 20 words by five speakers, told with the figures.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import soundfile

from ridebook.exchange.timings import read_timings
from ridebook.segment import align_english
from tests.registry import phonlab_audio, praatio_source
from tests.segment.aligned import Vocal, errors_s, laid

NO_WORDS = {"sp"}


def recordings() -> list[tuple[Path, Path]]:
    read = praatio_source() / "examples" / "files"
    said = phonlab_audio()
    return [
        (read / "bobby.wav", read / "bobby_words.TextGrid"),
        (read / "mary.wav", read / "mary.TextGrid"),
        *(
            (said / f"{name}.wav", said / f"{name}.TextGrid")
            for name in ("im_twelve", "two_plus_two", "three_plus_five")
        ),
    ]


@pytest.mark.registry
def test_words_of_recorded_english_begin_where_a_person_put_them() -> None:
    assert align_english.is_installed()
    errors = []
    for sound, grid in recordings():
        samples, rate_hz = soundfile.read(sound, always_2d=True)
        words = [w for w in read_timings(grid, rate_hz).segments.words if w.label.lower() not in NO_WORDS]
        line = tuple((word.start_n / rate_hz, word.label) for word in words)
        vocal = Vocal(samples.mean(axis=1), rate_hz, (line,))
        errors.append(errors_s(vocal, laid(vocal, language="en")))
    away_ms = np.abs(np.concatenate(errors)) * 1000
    assert len(away_ms) == 20
    assert not np.isnan(away_ms).any()
    assert np.median(away_ms) <= 25
    assert np.mean(away_ms <= 120) >= 0.95
