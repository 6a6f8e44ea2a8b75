"""How far off the estimate of the voice's standing in a finished mix is, and whether its error bar is honest.

    python tests/bench/bench_reference.py [--vocals DIR] [--beds DIR] [--fit]

Needs the `test` extra; ends with 1 where a goal is missed. Voices (the demo song's, two of solo singing, the one of a
real song in stems where ffmpeg is there to decode it, three of a synthesizer) are laid over beds (the demo song's, the
real song's, six that are made here) at balances drawn evenly from -6 to +6 LU, in two takes: with a room from the
start, or doubled after an intro of a quarter of the time. One mix in two goes through a compressor and is rounded at
the top. The truth is the balance of the pair over its phrases before that, as the program measures it on the stems.

`--vocals` adds a folder of more voices (audio files; those whose names are alike up to the first underscore are one
singer, laid one after the other), `--beds` one of more beds. `--fit` prints the constants of
`ridebook/measure/centre.py` for the material that is there.

Figures, one JSON line for each voice, each bed and then the whole:

cases           Mixes.
shipped_bias_lu, shipped_rms_lu
                Mean and root mean square of estimate less truth, by the constants that the program ships with. These
                were fitted on songs among which these may be.
bias_lu, rms_lu The same with each song left out: for each voice and bed the line is fitted anew on the mixes that have
                neither of the two.
covered         HEADLINE. Share of the mixes whose truth lies within the bar, the bar too taken without their songs.
half_width_lu   HEADLINE. Median half width of those bars.
"""

from __future__ import annotations

import argparse
import json
import sys
import tempfile
from collections.abc import Iterator
from dataclasses import astuple, dataclass
from pathlib import Path

import numpy as np
import soundfile
import soxr

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))
from ridebook.audio.stems import open_pair
from ridebook.measure.centre import COEFFICIENTS, CentreAccumulator, CentreFigures, centre_balance
from ridebook.measure.measures import Measures, StemMeasures
from ridebook.measure.spans import mean_balance_lu
from ridebook.work.analyse import analyse
from tests.registry import NotThereError, solo_singing, song_in_stems
from tests.synth import speak
from tests.wide_beds import BEDS, doubled, in_a_room, mastered, wide_bed

RATE_HZ = 44_100
LENGTH_S = 30.0
GAP_S = 0.7
INTRO_SHARE = 0.25
LEVELS_LU = ((-6.0, 0.0), (0.0, 6.0))
SHRINKAGE = 0.35
"""Weight of the ridge against each case: figures that say much the same share what they say."""

BAR_PART = 0.93
"""Part of the errors of songs left out that the bar is to hold: over 0.9, as the next song is unlike all of these."""

TARGETS = {"covered": 0.9, "half_width_lu": 3.0}
DEMO = Path(__file__).resolve().parents[2] / "demo_sessions"

SAID = (
    (
        "en+m3",
        45,
        150,
        "the river ran under the road and we followed it down to the sea where the boats were going out",
    ),
    ("en+f2", 60, 170, "nobody told me the night would be long so I counted the windows and sang them a song"),
    ("en+m7", 30, 130, "bring me the morning and leave me the rain I will wait at the corner and call you again"),
)


@dataclass(frozen=True)
class Case:
    """A mix: its voice, its bed, the true balance, and what the middle shows."""

    voice: str
    bed: str
    balance_lu: float
    figures: CentreFigures


def read(path: Path) -> np.ndarray:
    """Read a file at the bench's rate, float64, shape (frames, channels)."""
    samples, rate_hz = soundfile.read(path, dtype="float64", always_2d=True)
    return samples if rate_hz == RATE_HZ else np.asarray(soxr.resample(samples, rate_hz, RATE_HZ))


def laid(parts: list[np.ndarray]) -> np.ndarray:
    """Parts of a voice one after the other with gaps, again from the first, mono, for the length of a case."""
    gap = np.zeros(round(GAP_S * RATE_HZ))
    out: list[np.ndarray] = []
    while sum(map(len, out)) < LENGTH_S * RATE_HZ:
        for part in parts:
            out += [gap, part.mean(axis=1)]
    return np.concatenate(out)[: round(LENGTH_S * RATE_HZ)]


def looped(bed: np.ndarray) -> np.ndarray:
    """Stereo bed for the length of a case, from a little after its start."""
    wanted_n = round(LENGTH_S * RATE_HZ)
    start_n = min(40 * RATE_HZ, max(0, len(bed) - wanted_n))
    bed = bed[start_n:]
    return np.tile(bed, (-(-wanted_n // len(bed)), 1))[:wanted_n]


def material(vocals: Path | None, beds: Path | None) -> tuple[dict[str, list[np.ndarray]], dict[str, np.ndarray]]:
    """Voices, each as its parts, and beds."""
    voices = {"demo": [read(DEMO / "vocal.flac")]}
    known = {"demo": read(DEMO / "band.flac") + read(DEMO / "keys.flac")}
    for path in solo_singing():
        voices[path.stem] = [read(path)]
    for voice, pitch, speed, text in SAID:
        said = speak(text, voice=voice, pitch=pitch, rate=speed)
        voices[voice] = [soxr.resample(np.asarray(said.samples, np.float64)[:, None], said.rate_hz, RATE_HZ)]
    try:
        song = song_in_stems()
        voices["real song"] = [read(song.vocal)]
        known["real song"] = sum((read(path) for path in song.beds[1:]), read(song.beds[0]))
    except NotThereError as error:
        print(f"left out: {error}", file=sys.stderr)
    for path in sorted(vocals.iterdir()) if vocals else ():
        if path.suffix in {".wav", ".flac", ".ogg"}:
            voices.setdefault(path.stem.split("_")[0], []).append(read(path))
    for path in sorted(beds.iterdir()) if beds else ():
        if path.suffix in {".wav", ".flac", ".ogg"}:
            known[path.stem] = read(path)
    all_beds = {name: looped(bed) for name, bed in known.items()}
    return voices, all_beds | {f"made {bed.seed}": wide_bed(bed, RATE_HZ, LENGTH_S) for bed in BEDS}


def takes(parts: list[np.ndarray], seed: int) -> Iterator[np.ndarray]:
    """Two stereo takes of a voice."""
    first = laid(parts)
    yield in_a_room(first, RATE_HZ, seed)
    intro_n = round(INTRO_SHARE * len(first))
    turned = laid(parts[len(parts) // 2 :] + parts[: len(parts) // 2])
    yield doubled(np.concatenate([np.zeros(intro_n), turned[:-intro_n]]), RATE_HZ, seed)


def cases(voices: dict[str, list[np.ndarray]], beds: dict[str, np.ndarray]) -> Iterator[Case]:
    """All mixes."""
    random = np.random.default_rng(5)
    measured: tuple[StemMeasures, ...] = ()
    with tempfile.TemporaryDirectory() as folder:
        paths = []
        for i, bed in enumerate(beds.values()):
            paths.append(Path(folder) / f"bed{i}.wav")
            soundfile.write(paths[-1], bed, RATE_HZ, subtype="FLOAT")
        for seed, (name, parts) in enumerate(voices.items()):
            for take, vocal in enumerate(takes(parts, seed)):
                path = Path(folder) / "vocal.wav"
                soundfile.write(path, vocal, RATE_HZ, subtype="FLOAT")
                # The beds are the same under every voice, so they are measured once.
                with open_pair(path, paths[:1] if measured else paths) as pair:
                    analysis = analyse(pair)
                measured = measured or analysis.measures.beds
                borders = np.array([(phrase.start_n, phrase.end_n) for phrase in analysis.segments.phrases]).T
                for i, (bed_name, bed) in enumerate(beds.items()):
                    measures = Measures(analysis.measures.vocal, (), measured[i])
                    was_lu = mean_balance_lu(measures, *borders)
                    if (i + seed) % 2 != take:
                        continue
                    for low_lu, high_lu in LEVELS_LU:
                        wanted_lu = random.uniform(low_lu, high_lu)
                        mix = vocal * 10.0 ** ((wanted_lu - was_lu) / 20.0) + bed
                        if random.random() < 0.5:
                            mix = mastered(mix, RATE_HZ)
                        yield Case(name, bed_name, wanted_lu, figures_of(mix))
            print(f"  {name}", file=sys.stderr)


def figures_of(mix: np.ndarray) -> CentreFigures:
    """What the middle of a mix shows."""
    gathered = CentreAccumulator(RATE_HZ)
    gathered.feed(mix)
    figures = gathered.finish()
    assert figures is not None
    return figures


def rows_of(made: list[Case]) -> np.ndarray:
    """Figures that the line uses, shape (cases, figures)."""
    return np.array([astuple(case.figures)[: len(COEFFICIENTS)] for case in made])


def fitted(rows: np.ndarray, truth_lu: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray, float]:
    """Means, scales, coefficients and constant of the ridge."""
    means, scales = rows.mean(axis=0), rows.std(axis=0)
    scaled = (rows - means) / scales
    square = scaled.T @ scaled + SHRINKAGE * len(rows) * np.eye(rows.shape[1])
    return means, scales, np.linalg.solve(square, scaled.T @ (truth_lu - truth_lu.mean())), float(truth_lu.mean())


def left_out(made: list[Case]) -> tuple[np.ndarray, np.ndarray]:
    """Errors with each voice and bed left out of the fit, and half widths without them, both in LU."""
    rows, truth_lu = rows_of(made), np.array([case.balance_lu for case in made])
    voice, bed = np.array([case.voice for case in made]), np.array([case.bed for case in made])
    groups = sorted({(case.voice, case.bed) for case in made})
    error, half = np.zeros(len(made)), np.zeros(len(made))
    for one, other in groups:
        means, scales, coefficients, constant = fitted(
            *(each[(voice != one) & (bed != other)] for each in (rows, truth_lu))
        )
        held = (voice == one) & (bed == other)
        error[held] = (rows[held] - means) / scales @ coefficients + constant - truth_lu[held]
    for one, other in groups:
        rest = (voice != one) & (bed != other)
        half[(voice == one) & (bed == other)] = np.quantile(np.abs(error[rest]), BAR_PART)
    return error, half


def main() -> int:
    """Run the bench."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--vocals", type=Path)
    parser.add_argument("--beds", type=Path)
    parser.add_argument("--fit", action="store_true")
    arguments = parser.parse_args()
    made = list(cases(*material(arguments.vocals, arguments.beds)))
    error, half = left_out(made)
    truth_lu = np.array([case.balance_lu for case in made])
    shipped = np.array([centre_balance(case.figures).balance_lu for case in made]) - truth_lu

    def told(name: str, which: np.ndarray) -> dict[str, object]:
        return {
            "name": name,
            "cases": int(which.sum()),
            "shipped_bias_lu": round(float(shipped[which].mean()), 2),
            "shipped_rms_lu": round(float(np.sqrt((shipped[which] ** 2).mean())), 2),
            "bias_lu": round(float(error[which].mean()), 2),
            "rms_lu": round(float(np.sqrt((error[which] ** 2).mean())), 2),
            "covered": round(float((np.abs(error) <= half)[which].mean()), 3),
            "half_width_lu": round(float(np.median(half[which])), 2),
        }

    for part in ("voice", "bed"):
        names = np.array([getattr(case, part) for case in made])
        for name in dict.fromkeys(names):
            print(json.dumps(told(f"{part} {name}", names == name)))
    whole = told("whole", np.ones(len(made), bool))
    print(json.dumps(whole))
    if arguments.fit:
        for text, values in zip(
            ("MEANS_DB", "SCALES_DB", "COEFFICIENTS", "CONSTANT_LU"), fitted(rows_of(made), truth_lu), strict=True
        ):
            print(text, np.round(values, 3).tolist())
        print("HALF_WIDTH_LU", round(float(np.quantile(np.abs(error), BAR_PART)), 2))
    kept = whole["covered"] >= TARGETS["covered"] and whole["half_width_lu"] <= TARGETS["half_width_lu"]
    return 0 if kept else 1


if __name__ == "__main__":
    sys.exit(main())
