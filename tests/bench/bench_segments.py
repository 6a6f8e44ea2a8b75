"""Segmentation on material whose truth is known exactly: speech, breaths, bleed, level steps, knocks; and its speed.

    python tests/bench/bench_segments.py [--singing FOLDER]

Needs the `test` extra. Speech is synthesized (tests/synth.py) with the synthesizer's own word and phoneme times; the
rest is made of parts (tests/segment/made.py). Figures with counts and, for F1, the 5 % and 95 % points of a bootstrap
over utterances, one JSON line each. With FOLDER, takes with word and phrase times beside (as tools/fit_word_scorer.py
reads them) are scored too, with the weights as they stand. Ends with 1 where a target is missed.

words, words_bleed, words_knocked   starts of words within 100 ms; plain, over bleed 25 dB under, and with 15 % of the
                                    words knocked by 4 to 6 dB
same_borders                        F1 of the borders of knocked speech against those of the plain one, within 30 ms
nuclei                              middles of vowels within 50 ms
sibilants, plosives, breaths        recall and precision, counted when 30 % of the shorter span is shared
steps                               level steps of 4.5 dB inside a held vowel, found within 50 ms
after_pause                         starts after a silence, sung, hummed loud and soft, whispered, over noise: recall
                                    within 100 ms
speed                               features and segments of 5 minutes at 48 kHz, over reading that much by soundfile
"""

from __future__ import annotations

import argparse
import json
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
import soundfile
from threadpoolctl import threadpool_limits

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))
from ridebook.measure.features import FeatureAccumulator
from ridebook.segment.find import find_cells
from ridebook.segment.nuclei import nuclei
from tests.segment import made
from tests.segment.spoken import PLOSIVES, SENTENCES, SIBILANTS, VOICES, VOWELS, plain, spans_of
from tests.synth import Utterance, speak

TARGETS = {
    "words": 0.65,
    "words_bleed": 0.60,
    "words_knocked": 0.65,
    "same_borders": 0.85,
    "nuclei": 0.80,
    "sibilants_recall": 0.85,
    "sibilants_precision": 0.80,
    "plosives_recall": 0.85,
    "plosives_precision": 0.80,
    "breaths_recall": 0.80,
    "breaths_precision": 0.80,
    "steps": 0.85,
    "after_pause": 0.95,
    "singing_words": 0.65,
    "singing_phrases": 0.75,
}


def report(name: str, rows: list[tuple[int, int, int]], missed: list[str]) -> None:
    """Print F1 of rows (hits, true, found) with its bootstrap."""
    table = np.array(rows)
    draws = np.random.default_rng(0).integers(0, len(table), (1000, len(table)))
    spread = [made.f1(*table[draw].sum(axis=0).tolist()) for draw in draws]
    hits, truth_n, found_n = table.sum(axis=0).tolist()
    value = made.f1(hits, truth_n, found_n)
    low, high = np.percentile(spread, [5, 95])
    show(name, value, missed, f1_from_to=[round(float(low), 3), round(float(high), 3)], true=truth_n, found=found_n)


def show(name: str, value: float, missed: list[str], **more: object) -> None:
    target = TARGETS.get(name)
    print(json.dumps({"figure": name, "value": round(value, 3), "target": target, **more}), flush=True)
    if target is not None and value < target:
        missed.append(name)


def word_starts(samples: np.ndarray, rate_hz: int) -> list[float]:
    return (find_cells(made.features_of(samples, rate_hz)).words[:, 0] / 100).tolist()


def speech(missed: list[str]) -> None:
    rng = np.random.default_rng(1)
    said: list[Utterance] = [speak(text, *voice) for text in SENTENCES for voice in VOICES]
    rows: dict[str, list[tuple[int, int, int]]] = {
        name: [] for name in ("words", "words_bleed", "words_knocked", "same_borders", "nuclei")
    }
    noises = {"sibilants": np.zeros(4, int), "plosives": np.zeros(4, int)}
    for one in said:
        rate = one.rate_hz
        starts = [word.start_n / rate for word in one.words]
        features = made.features_of(one.samples, rate)
        found = find_cells(features)
        words = (found.words[:, 0] / 100).tolist()
        rows["words"].append((made.matches(starts, words, 0.1), len(starts), len(words)))
        level = 10 * np.log10(np.mean(one.samples.astype(float) ** 2))
        bleed = made.bled(one.seconds + 0.1, rate, rng, level - 25.0)[: len(one.samples)]
        over_bleed = word_starts(one.samples + bleed, rate)
        rows["words_bleed"].append((made.matches(starts, over_bleed, 0.1), len(starts), len(over_bleed)))
        gain_db = np.zeros(len(one.samples))
        for i in rng.choice(len(starts), max(1, round(0.15 * len(starts))), replace=False):
            gain_db[one.words[i].start_n : one.words[i].end_n] = rng.uniform(4, 6) * rng.choice([-1, 1])
        window = np.hanning(round(0.03 * rate))
        gain_db = np.convolve(gain_db, window / window.sum(), "same")
        knocked = word_starts(one.samples * 10 ** (gain_db / 20), rate)
        rows["words_knocked"].append((made.matches(starts, knocked, 0.1), len(starts), len(knocked)))
        rows["same_borders"].append((made.matches(words, knocked, 0.03), len(words), len(knocked)))
        middles = [(p.start_n + p.end_n) / 2 for p in one.phonemes if plain(p.name).startswith(VOWELS)]
        tops = nuclei(features).tolist()
        rows["nuclei"].append((made.matches(middles, tops, 0.05 * rate), len(middles), len(tops)))
        for name, names in (("sibilants", SIBILANTS), ("plosives", PLOSIVES)):
            true = spans_of(one, names)
            heard = [(start / 100, end / 100) for start, end in getattr(found, name).tolist()]
            noises[name] += made.overlaps(true, heard), len(true), made.overlaps(heard, true), len(heard)
    for name, table in rows.items():
        report(name, table, missed)
    for name, (recalled, truth_n, precise, found_n) in noises.items():
        show(f"{name}_recall", recalled / truth_n, missed, true=int(truth_n))
        show(f"{name}_precision", precise / max(found_n, 1), missed, found=int(found_n))


def breaths(missed: list[str]) -> None:
    rng = np.random.default_rng(2)
    rate = 44100
    recalled = precise = truth_n = found_n = 0
    for _ in range(6):
        parts, truth, at = [made.silence(0.5, rate)], [], 0.5
        for i in range(40):
            note = made.sung(rng.uniform(0.6, 1.4), rate, rng.uniform(110, 400), "aio"[i % 3], rng.uniform(-26, -18))
            before, after = rng.uniform(0.04, 0.5, 2)
            breath = made.breathed(rng.uniform(0.2, 0.6), rate, rng, rng.uniform(-52.0, -36.0))
            start = at + len(note) / rate + before
            truth.append((start, start + len(breath) / rate))
            parts += [note, made.silence(before, rate), breath, made.silence(after, rate)]
            at = sum(map(len, parts)) / rate
        samples = np.concatenate([*parts, made.sung(1.0, rate)])
        samples += made.scaled(rng.standard_normal(len(samples)), rng.uniform(-85, -68))
        heard = [(s / 100, e / 100) for s, e in find_cells(made.features_of(samples, rate)).breaths.tolist()]
        recalled += made.overlaps(truth, heard)
        precise += made.overlaps(heard, truth)
        truth_n += len(truth)
        found_n += len(heard)
    show("breaths_recall", recalled / truth_n, missed, true=truth_n)
    show("breaths_precision", precise / max(found_n, 1), missed, found=found_n)


def steps_and_pauses(missed: list[str]) -> None:
    rng = np.random.default_rng(3)
    rate = 44100
    hits = truth_n = 0
    for i in range(30):
        note = made.sung(5.0, rate, rng.uniform(100, 420), "aio"[i % 3], vibrato=rng.uniform(0, 0.02))
        at = np.sort(rng.uniform([0.8, 2.8], [2.0, 4.2]))
        step = rng.choice([-4.5, 4.5])
        gain_db = np.interp(
            np.arange(len(note)) / rate, np.repeat(at, 2) + np.tile([-0.015, 0.015], 2), [0, step, step, 0]
        )
        found = word_starts(note * 10 ** (gain_db / 20) + 1e-4 * rng.standard_normal(len(note)), rate)
        hits += made.matches(at.tolist(), found, 0.05)
        truth_n += 2
    show("steps", hits / truth_n, missed, true=truth_n)
    hits = truth_n = 0
    for kind in ("sung", "soft", "whispered", "noisy"):
        for _ in range(3):
            parts, starts, at = [made.silence(0.6, rate)], [], 0.6
            for i in range(10):
                length, gap = rng.uniform(0.3, 1.5), rng.uniform(0.3, 0.9)
                level = rng.uniform(-36, -18) if kind == "soft" else -20.0
                if kind == "whispered":
                    parts.append(made.whispered(length, rate, rng))
                else:
                    parts.append(made.sung(length, rate, rng.uniform(110, 400), "aio"[i % 3], level))
                parts.append(made.silence(gap, rate))
                starts.append(at)
                at = sum(map(len, parts)) / rate
            samples = np.concatenate(parts)
            samples += made.scaled(rng.standard_normal(len(samples)), -45.0 if kind == "noisy" else -75.0)
            hits += made.matches(starts, word_starts(samples, rate), 0.1)
            truth_n += len(starts)
    show("after_pause", hits / truth_n, missed, true=truth_n)


def singing(folder: Path, missed: list[str]) -> None:
    sys.path.insert(0, str(Path(__file__).resolve().parents[2] / "tools"))
    from fit_word_scorer import WITHIN_S, read_take

    rows: dict[str, list[tuple[int, int, int]]] = {"words": [], "phrases": []}
    for path in sorted(folder.glob("*.wav")):
        take = read_take(path)
        found = find_cells(take.features)
        for tier, cells in (("words", found.words), ("phrases", found.phrases)):
            truth = take.starts_s[tier]
            if truth:
                starts = (cells[:, 0] / 100).tolist()
                rows[tier].append((made.matches(truth, starts, WITHIN_S[tier]), len(truth), len(starts)))
    for tier, table in rows.items():
        report(f"singing_{tier}", table, missed)


def speed() -> None:
    rate = 48000
    rng = np.random.default_rng(4)
    line = np.concatenate(
        [made.sung(0.6, rate, 150 + 20 * i, "aio"[i % 3]) for i in range(5)] + [made.silence(0.5, rate)]
    )
    samples = np.resize(line, 300 * rate).astype(np.float32) + 1e-4 * rng.standard_normal(300 * rate, np.float32)
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "vocal.wav"
        soundfile.write(path, samples, rate, subtype="PCM_24")
        began = time.perf_counter()
        soundfile.read(path, dtype="float32")
        read_s = time.perf_counter() - began
    find_cells(made.features_of(samples[: 10 * rate], rate))
    # As the program does it: the linear algebra library's threads only get in each other's way here.
    with threadpool_limits(1, "blas"):
        began = time.perf_counter()
        accumulator = FeatureAccumulator(rate)
        for start in range(0, len(samples), rate):
            accumulator.feed(samples[start : start + rate])
        features = accumulator.finish()
        features_s = time.perf_counter() - began
        find_cells(features)
        whole_s = time.perf_counter() - began
    show("speed", whole_s / read_s, [], features_s=round(features_s, 2), whole_s=round(whole_s, 2))


def main() -> int:
    parser = argparse.ArgumentParser(description="Segmentation on material of known truth, and its speed")
    parser.add_argument("--singing", type=Path, help="folder of takes with TextGrid files beside")
    chosen = parser.parse_args()
    missed: list[str] = []
    speech(missed)
    breaths(missed)
    steps_and_pauses(missed)
    if chosen.singing:
        singing(chosen.singing, missed)
    speed()
    print("All targets met." if not missed else f"Missed: {', '.join(missed)}.")
    return int(bool(missed))


if __name__ == "__main__":
    sys.exit(main())
