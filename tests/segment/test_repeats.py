"""What sings the same: melodies sung again with other timing, beside ones that are near and not the same."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import soundfile

from ridebook.segment.activity import find_activity
from ridebook.segment.find import find_segments
from ridebook.segment.repeats import named, repeated_phrases, repeats_of, sections_by_repeats, with_repeats
from ridebook.segment.spans import Kind, Segments, Span
from tests.segment import made

RATE_HZ = 22050
DEMO = Path(__file__).resolve().parents[2] / "demo_sessions"
Note = tuple[float, float, str, float]


def melody(rng: np.random.Generator) -> list[Note]:
    """Notes as pitch in semitones over 110 Hz, length in seconds, vowel, level in dB."""
    steps = np.cumsum(rng.choice([-4, -3, -2, 2, 3, 4], 6)) + 10
    vowels = rng.choice(["a", "i", "o"], 6)
    return [(float(s), rng.uniform(0.25, 0.7), str(v), rng.uniform(-26, -18)) for s, v in zip(steps, vowels)]


def sung_again(notes: list[Note], rng: np.random.Generator) -> list[Note]:
    """The same with each note up to 15 % longer or shorter, 2 dB louder or softer and 20 cents off."""
    return [
        (pitch + rng.uniform(-0.2, 0.2), length * rng.uniform(0.87, 1.15), vowel, level + rng.uniform(-2, 2))
        for pitch, length, vowel, level in notes
    ]


def take(phrases: list[list[Note]]) -> tuple[np.ndarray, np.ndarray]:
    """Samples, and the cells of each phrase."""
    parts, cells, at = [made.silence(0.5, RATE_HZ)], [], 0.5
    for notes in phrases:
        start = at
        for pitch, length, vowel, level in notes:
            parts.append(made.sung(length, RATE_HZ, 110.0 * 2 ** (pitch / 12), vowel, level))
            at += len(parts[-1]) / RATE_HZ
        cells.append((round(100 * start), round(100 * at)))
        parts.append(made.silence(0.5, RATE_HZ))
        at += 0.5
    return np.concatenate(parts), np.array(cells)


def pairs_of(names: list[str]) -> set[tuple[int, int]]:
    return {(i, j) for j in range(len(names)) for i in range(j) if names[i] and names[i] == names[j]}


def test_phrases_sung_again_are_found_and_those_moved_or_quickened_are_not() -> None:
    rng = np.random.default_rng(11)
    phrases: list[list[Note]] = []
    truth: list[str] = []
    for k in range(12):
        first = melody(rng)
        moved = [(pitch + 3, length, vowel, level) for pitch, length, vowel, level in first]
        quick = [(pitch, length / 1.5, vowel, level) for pitch, length, vowel, level in first]
        turned = first[::-1]
        phrases += [first, sung_again(first, rng), moved, quick, turned, sung_again(first, rng)]
        truth += [f"{k}", f"{k}", "", "", "", f"{k}"]
    samples, cells = take(phrases)
    features = made.features_of(samples, RATE_HZ)
    found = pairs_of(repeated_phrases(features, find_activity(features), cells))
    wanted = pairs_of(truth)
    assert len(wanted) == 36
    assert len(found & wanted) >= 0.9 * len(wanted)
    assert len(found & wanted) >= 0.9 * len(found)


def test_the_chorus_of_the_demo_song_is_found_and_nothing_else() -> None:
    samples, rate_hz = soundfile.read(DEMO / "vocal.flac", always_2d=True)
    vocal = samples.mean(axis=1)
    phrases = find_segments(made.features_of(vocal, rate_hz), made.measures_of(vocal, rate_hz)).phrases
    assert [phrase.repeats for phrase in phrases] == ["", "", "", "", *"ABCD"] * 2


def test_nothing_repeats_in_silence_or_alone() -> None:
    features = made.features_of(np.zeros(RATE_HZ), RATE_HZ)
    assert repeated_phrases(features, find_activity(features), np.array([(0, 50), (50, 100)])) == ["", ""]
    samples, cells = take([melody(np.random.default_rng(1))])
    features = made.features_of(samples, RATE_HZ)
    assert repeated_phrases(features, find_activity(features), cells) == [""]


def test_names_are_letters_in_order_of_time() -> None:
    assert named([3, 1, 3, 2, 1, 3]) == ["A", "B", "A", "", "B", "A"]
    many = named([k // 2 for k in range(60)])
    assert many[0] == "A"
    assert many[50:54] == ["Z", "Z", "AA", "AA"]


def test_sections_repeat_by_their_phrases_or_by_name() -> None:
    def section(k: int, label: str = "") -> Span:
        return Span(f"s{k}", Kind.SECTION, 100 * k, 100 * (k + 1), label)

    names = ["A", "B", "C", "", "A", "", "A", "", "C"]
    phrases = [Span(f"p{i}", Kind.PHRASE, 33 * i + 1, 33 * i + 30, repeats=name) for i, name in enumerate(names)]
    heard = sections_by_repeats([section(0), section(1), section(2)], phrases)
    assert [each.repeats for each in heard] == ["A", "", "A"]
    called = sections_by_repeats([section(0, "Chorus"), section(1, "verse"), section(2, "chorus 2")], [])
    assert [each.repeats for each in called] == ["A", "", "A"]


def test_what_was_read_repeats_by_its_words_and_names() -> None:
    lines = ["Turn the tide", "over the sand", "turn the tide,", "", "over  the sand!", ""]
    phrases = tuple(Span(f"p{i}", Kind.PHRASE, 100 * i, 100 * i + 90, text) for i, text in enumerate(lines))
    labels = ["", "", "Bridge"]
    sections = tuple(Span(f"s{i}", Kind.SECTION, 200 * i, 200 * (i + 1), text) for i, text in enumerate(labels))
    # The second section sings one line of the first; the third none.
    read = with_repeats(Segments(sections, phrases))
    assert [each.repeats for each in read.phrases] == ["A", "B", "A", "", "B", ""]
    assert [each.repeats for each in read.sections] == ["", "", ""]
    # Without the line that is not sung again the two sing the same.
    alike = with_repeats(Segments((sections[0], replace(sections[1], end_n=500)), (*phrases[:3], phrases[4])))
    assert [each.repeats for each in alike.sections] == ["A", "A"]
    named_so = tuple(replace(each, label=label) for each, label in zip(sections, ("Chorus 1", "Verse", "chorus")))
    assert [each.repeats for each in with_repeats(Segments(named_so, phrases)).sections] == ["A", "", "A"]
    assert with_repeats(Segments()) == Segments()


def test_repeats_of_a_span_go_by_what_it_is_called_and_else_by_what_was_heard() -> None:
    phrases = tuple(
        Span(f"p{i}", Kind.PHRASE, 100 * i, 100 * i + 90, text, repeats=name)
        for i, (text, name) in enumerate([("la la", "A"), ("no", "A"), ("La, la!", ""), ("", "B"), ("", "B"), ("", "")])
    )
    sections = (
        Span("s0", Kind.SECTION, 0, 200, "chorus"),
        Span("s1", Kind.SECTION, 200, 400, "Chorus 2"),
        Span("s2", Kind.SECTION, 600, 800, "chorus 3"),  # without a phrase
    )
    segments = Segments(sections, phrases, (Span("w0", Kind.WORD, 0, 50, "la"), Span("w1", Kind.WORD, 200, 250, "la")))

    def ids(span: Span) -> list[str]:
        return [each.id for each in repeats_of(segments, span)]

    assert [ids(phrase) for phrase in phrases] == [["p2"], [], ["p0"], ["p4"], ["p3"], []]
    assert ids(sections[0]) == ["s1"]
    assert ids(segments.words[0]) == []
