"""Short words whose truth is known exactly: how much of what was knocked comes back, and what else moves.

    python tests/bench/bench_short_words.py [--command "python -m ridebook"] [--keep DIR]

Needs the `test` extra; ends with 1 where a goal is missed. Everything is made here: six voices of a synthesizer, which
knows the frame of each of its words (tests/synth.py), say sentences of short words, nearly all under 0.6 s, over a bed
of slowly moving noise and chords at a mean balance of 1 LU. Of each vocal there are three:

clean    as synthesized
words    a random 15 % of the words knocked by 4 to 6 dB, either way
phrases  every phrase knocked, uniform -3.5 to +3.5 dB, from the middle of one gap to the middle of the next

Knocks are smoothed over 30 ms. The program is driven through its command line alone, at share 1. As the bench takes
no side on how loud a word should be, what counts is the difference between the lane for the damaged vocal and the
lane for the clean one: it should undo the knock and nothing else. Figures, one JSON line a voice and then the whole:

recovered            HEADLINE. Share of the knocked words over which the mean change of the lane, damaged less clean, is
                     within 1.5 dB of minus the knock.
recovered_own        The same without the clean lane: mean lane over the word on the damaged vocal, less the mean lane
                     over its phrase's untouched words. Harder: it also counts what the clean word itself needed.
recovered_down, recovered_up
                     `recovered` for the words knocked down and those knocked up.
knock_gain           Mean change of the lane over minus the knock: 1 is all of it.
untouched_moved_db   HEADLINE. Rms over the untouched words of the change of the lane (damaged less clean), less the
                     mean change of their phrase's untouched words.
untouched_own_db     The same on the damaged vocal's lane alone.
phrase_left          Standard deviation of what is left of the phrase knocks, over that of the knocks.
points_per_phrase    Breakpoints of the lane for the clean vocal, by phrase that was said.
word_f1, phrase_f1   Starts found, within 100 ms and 250 ms, on the clean vocal.
"""

from __future__ import annotations

import argparse
import csv
import json
import shlex
import subprocess
import sys
import tempfile
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pyloudnorm
import soundfile
import soxr

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))
from tests.synth import speak

RATE_HZ = 48000
BALANCE_LU = 1.0
KNOCKED_SHARE = 0.15
WITHIN_DB = 1.5
TARGETS = {"recovered": 0.70, "untouched_moved_db": 0.5, "phrase_left": 0.35}

# Voice, pitch, speed in words a minute.
VOICES = (
    ("en+m3", 35, 125),
    ("en-us+f2", 62, 130),
    ("en+f4", 55, 115),
    ("en-us", 45, 140),
    ("en+m7", 28, 110),
    ("en-us+f5", 70, 120),
)

SENTENCES = """
low clouds roll down past my door
we ran home when rain came hard
she keeps one coin from each good year
no light left but stars and snow
cold hands hold what warm hands gave
my old coat still smells like smoke
turn back now while both roads stay
three birds sang then flew due south
I heard your name when trains went by
men build walls where kids once played
bread and salt will do us fine
sleep comes slow when beds feel strange
green fields burn brown all through June
some nights I walk and some I drive
give him back those songs we lost
two boats rest where deep tides turn
blue smoke hangs round each small town
take my word and leave your doubt
long years pass but stones stay put
tell me why you stayed so late
wind shook leaves from every branch
that old clock runs ten slow beats late
wheels turn fast yet we go nowhere
save some room for friends back home
my heart beats loud when drums roll
gold rings fade like morning frost
let them talk while we drink up
few men know how far we came
dust lies thick where feet once danced
hear those bells ring past dark hills
sweet rain falls and fills dry wells
all my plans lie torn and burned
your last note said go find peace
bright lamps glow down our long street
sing it once then sing it twice
ships sail west when winds turn kind
""".strip().splitlines()


@dataclass(frozen=True)
class Said:
    """A clean vocal and its truth, times in frames."""

    vocal: np.ndarray
    words: list[tuple[int, int]]
    phrases: list[tuple[int, int]]
    phrase_of_word: list[int]
    labels: list[str]


def k_power(samples: np.ndarray) -> np.ndarray:
    """K-weighted power of each frame, the channels summed."""
    channels = samples if samples.ndim == 2 else samples[:, None]
    power = np.zeros(len(channels))
    for c in range(channels.shape[1]):
        weighted = channels[:, c].astype(np.float64)
        for stage in pyloudnorm.Meter(RATE_HZ)._filters.values():
            weighted = stage.apply_filter(weighted)
        power += weighted**2
    return power


def smoothed(gain_db: np.ndarray) -> np.ndarray:
    """`gain_db` with its steps rounded over 30 ms."""
    window = np.hanning(round(0.03 * RATE_HZ))
    window /= window.sum()
    padded = np.pad(gain_db, len(window), mode="edge")
    return np.convolve(padded, window, "same")[len(window) : -len(window)]


def say(voice: str, pitch: int, rate: int, sentences: list[str], rng: np.random.Generator) -> Said:
    """Sentences in a row with pauses of 0.35 to 0.9 s."""
    parts = [np.zeros(RATE_HZ)]
    at = RATE_HZ
    words, phrases, owner, labels = [], [], [], []
    for sentence in sentences:
        said = speak(sentence, voice=voice, pitch=pitch, rate=rate)
        if any(" " in word.text for word in said.words):
            raise ValueError(f"{sentence!r} has words that run together; change it")
        ratio = RATE_HZ / said.rate_hz
        sound = soxr.resample(said.samples.astype(np.float64), said.rate_hz, RATE_HZ, "VHQ")
        sound = sound[: round(said.words[-1].end_n * ratio) + RATE_HZ // 50]
        phrases.append((at + round(said.words[0].start_n * ratio), at + round(said.words[-1].end_n * ratio)))
        for word in said.words:
            words.append((at + round(word.start_n * ratio), at + round(word.end_n * ratio)))
            owner.append(len(phrases) - 1)
            labels.append(word.text)
        pause = np.zeros(round(rng.uniform(0.35, 0.9) * RATE_HZ))
        parts += [sound, pause]
        at += len(sound) + len(pause)
    parts.append(np.zeros(RATE_HZ))
    return Said(np.concatenate(parts), words, phrases, owner, labels)


def make_bed(frames_n: int, rng: np.random.Generator) -> np.ndarray:
    """Stereo bed: noise falling by 3 dB an octave that moves slowly by some 2 dB, and a chord every two seconds."""
    spectrum = np.fft.rfft(rng.standard_normal((frames_n, 2)), axis=0)
    spectrum /= np.sqrt(np.maximum(np.fft.rfftfreq(frames_n, 1 / RATE_HZ), 40.0))[:, None]
    noise = np.fft.irfft(spectrum, frames_n, axis=0)
    noise /= noise.std()
    time_s = np.arange(frames_n) / RATE_HZ
    noise *= 10 ** (2.0 * np.sin(2 * np.pi * time_s / 11.0 + rng.uniform(0, 6.28)) / 20)[:, None]
    chords = np.zeros((frames_n, 2))
    roots_hz = (110.0, 87.31, 130.81, 98.0)
    length_n = 2 * RATE_HZ
    note_s = np.arange(length_n) / RATE_HZ
    envelope = np.minimum(note_s / 0.01, 1.0) * np.exp(-note_s / 1.2)
    for k, start_n in enumerate(range(0, frames_n, length_n)):
        for interval in (1.0, 1.2599, 1.4983, 2.0):
            for harmonic in range(1, 9):
                tone = np.sin(2 * np.pi * roots_hz[k % 4] * interval * harmonic * note_s + rng.uniform(0, 6.28))
                left = rng.uniform(0.3, 0.7)
                block = (envelope * tone / harmonic)[: frames_n - start_n, None] * np.array([left, 1 - left])
                chords[start_n : start_n + len(block)] += block
    return noise + 1.2 * chords / chords.std()


def damage(said: Said, rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Knock of each word and each phrase in dB, and both as curves by frame."""
    frames_n = len(said.vocal)
    word_db = np.zeros(len(said.words))
    chosen = rng.choice(len(word_db), round(KNOCKED_SHARE * len(word_db)), replace=False)
    word_db[chosen] = rng.uniform(4.0, 6.0, len(chosen)) * rng.choice([-1.0, 1.0], len(chosen))
    words_curve = np.zeros(frames_n)
    for (start_n, end_n), knock in zip(said.words, word_db):
        words_curve[start_n:end_n] = knock
    phrase_db = rng.uniform(-3.5, 3.5, len(said.phrases))
    edges = [0, *((a[1] + b[0]) // 2 for a, b in zip(said.phrases, said.phrases[1:])), frames_n]
    phrases_curve = np.zeros(frames_n)
    for start_n, end_n, knock in zip(edges, edges[1:], phrase_db):
        phrases_curve[start_n:end_n] = knock
    return word_db, phrase_db, smoothed(words_curve), smoothed(phrases_curve)


def suggest(command: list[str], vocal: Path, bed: Path) -> tuple[list[tuple[float, float]], list[dict[str, str]]]:
    """Breakpoints (seconds, dB) and segments that the program gives at share 1."""
    rides, segments = vocal.with_suffix(".rides.csv"), vocal.with_suffix(".segments.csv")
    files = ["--rides", str(rides), "--segments", str(segments)]
    run = subprocess.run(
        [*command, "suggest", str(vocal), str(bed), *files, "--share", "1", "--no-cache"],
        capture_output=True,
        text=True,
        check=False,
    )
    if run.returncode != 0:
        raise SystemExit(f"suggest failed with {run.returncode}: {run.stderr.strip()[-500:]}")
    with rides.open(encoding="utf-8", newline="") as rows:
        points = [(float(row["time_s"]), float(row["gain_db"])) for row in csv.DictReader(rows)]
    with segments.open(encoding="utf-8", newline="") as rows:
        return points, list(csv.DictReader(rows))


def start_f1(truth_s: list[float], found_s: list[float], within_s: float) -> float:
    """F1 of starts, each matched once, the nearest first in order of the truth."""
    left = sorted(found_s)
    hits = 0
    for start_s in sorted(truth_s):
        near = [(abs(other - start_s), k) for k, other in enumerate(left) if abs(other - start_s) <= within_s]
        if near:
            hits += 1
            left.pop(min(near)[1])
    return 2 * hits / (len(truth_s) + len(found_s)) if truth_s or found_s else 0.0


def less_phrase(change_db: np.ndarray, untouched: np.ndarray, owner: np.ndarray) -> np.ndarray:
    """Change of each word less the mean change of its phrase's untouched words."""
    result = np.full(len(change_db), np.nan)
    for phrase in np.unique(owner):
        own = owner == phrase
        if (own & untouched).any():
            result[own] = change_db[own] - change_db[own & untouched].mean()
    return result


def judge_voice(command: list[str], folder: Path, number: int) -> dict[str, np.ndarray | float]:
    """Raw outcomes of one voice."""
    rng = np.random.default_rng(1000 + number)
    voice, pitch, rate = VOICES[number]
    said = say(voice, pitch, rate, [SENTENCES[i] for i in rng.choice(len(SENTENCES), 9, replace=False)], rng)
    bed = make_bed(len(said.vocal), rng)
    sounding = np.zeros(len(bed), bool)
    for start_n, end_n in said.phrases:
        sounding[start_n:end_n] = True
    # A mono vocal goes at full amplitude to both sides and so counts twice.
    balance_lu = 10 * np.log10(2 * k_power(said.vocal)[sounding].mean() / k_power(bed)[sounding].mean())
    bed *= 10 ** ((balance_lu - BALANCE_LU) / 20)
    word_db, phrase_db, words_curve, phrases_curve = damage(said, rng)
    vocals = {
        "clean": said.vocal,
        "words": said.vocal * 10 ** (words_curve / 20),
        "phrases": said.vocal * 10 ** (phrases_curve / 20),
    }
    scale = 0.5 / max(np.abs(bed).max(), *(np.abs(x).max() for x in vocals.values()))
    soundfile.write(folder / "bed.wav", bed * scale, RATE_HZ, subtype="PCM_24")
    lanes, points, segments = {}, {}, {}
    for case, samples in vocals.items():
        soundfile.write(folder / f"{case}.wav", samples * scale, RATE_HZ, subtype="PCM_24")
        points[case], segments[case] = suggest(command, folder / f"{case}.wav", folder / "bed.wav")
        lanes[case] = np.interp(np.arange(len(bed)) / RATE_HZ, *zip(*points[case]))

    def means(curve: np.ndarray, spans: list[tuple[int, int]]) -> np.ndarray:
        return np.array([curve[start_n:end_n].mean() for start_n, end_n in spans])

    owner = np.array(said.phrase_of_word)
    untouched = word_db == 0
    change_db = means(lanes["words"] - lanes["clean"], said.words)
    own_db = less_phrase(means(lanes["words"], said.words), untouched, owner)
    found = {
        kind: [float(row["start_s"]) for row in segments["clean"] if row["kind"] == kind] for kind in ("word", "phrase")
    }
    return {
        "lengths_s": np.array([(end_n - start_n) / RATE_HZ for start_n, end_n in said.words]),
        "word_db": word_db,
        "change_db": change_db,
        "against_phrase_db": less_phrase(change_db, untouched, owner),
        "own_db": own_db,
        "phrase_db": phrase_db,
        "phrase_change_db": means(lanes["phrases"] - lanes["clean"], said.phrases),
        "points": np.array([len(points["clean"])]),
        "word_f1": start_f1([w[0] / RATE_HZ for w in said.words], found["word"], 0.1),
        "phrase_f1": start_f1([p[0] / RATE_HZ for p in said.phrases], found["phrase"], 0.25),
    }


def figures(raw: dict[str, np.ndarray | float]) -> dict[str, float]:
    """The figures of the module's docstring from raw outcomes."""
    knock, change, own = raw["word_db"], raw["change_db"], raw["own_db"]
    hit, untouched = knock != 0, knock == 0
    recovered = np.abs(change + knock) <= WITHIN_DB
    own_known = hit & np.isfinite(own)
    return {
        "words": len(knock),
        "under_600_ms": float(np.mean(raw["lengths_s"] < 0.6)),
        "knocked": int(hit.sum()),
        "recovered": float(recovered[hit].mean()),
        "recovered_down": float(recovered[knock < 0].mean()),
        "recovered_up": float(recovered[knock > 0].mean()),
        "recovered_own": float((np.abs(own + knock) <= WITHIN_DB)[own_known].mean()),
        "knock_gain": float((change[hit] / -knock[hit]).mean()),
        "untouched_moved_db": float(np.sqrt(np.mean(raw["against_phrase_db"][untouched] ** 2))),
        "untouched_own_db": float(np.sqrt(np.mean(own[untouched] ** 2))),
        "phrase_left": float((raw["phrase_change_db"] + raw["phrase_db"]).std() / raw["phrase_db"].std()),
        "points_per_phrase": float(raw["points"].sum() / len(raw["phrase_db"])),
        "word_f1": float(np.mean(raw["word_f1"])),
        "phrase_f1": float(np.mean(raw["phrase_f1"])),
    }


def main() -> int:
    parser = argparse.ArgumentParser(description="Recovery of knocked short words, their truth known exactly")
    parser.add_argument("--command", help="how to start the program (default: this Python's ridebook)")
    parser.add_argument("--keep", type=Path, help="folder to keep the pairs in")
    chosen = parser.parse_args()
    command = shlex.split(chosen.command) if chosen.command else [sys.executable, "-m", "ridebook"]
    every = []
    with tempfile.TemporaryDirectory() as scratch:
        for number, (voice, *_) in enumerate(VOICES):
            folder = (chosen.keep or Path(scratch)) / f"voice{number}"
            folder.mkdir(parents=True, exist_ok=True)
            every.append(judge_voice(command, folder, number))
            print(json.dumps({"voice": voice} | {k: round(v, 3) for k, v in figures(every[-1]).items()}), flush=True)
    whole = figures({key: np.hstack([raw[key] for raw in every]) for key in every[0]})
    print(json.dumps({"voice": "all"} | {k: round(v, 3) for k, v in whole.items()}))
    missed = [
        name
        for name, target in TARGETS.items()
        if (whole[name] < target if name == "recovered" else whole[name] > target)
    ]
    for name, target in TARGETS.items():
        print(f"{name}: {whole[name]:.3f}, target {target}, {'MISSED' if name in missed else 'met'}", file=sys.stderr)
    return 1 if missed else 0


if __name__ == "__main__":
    sys.exit(main())
