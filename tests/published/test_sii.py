"""ANSI S3.5-1997, the one-third-octave procedure, and the bands of IEC 61260-1:2014."""

import csv
from typing import Any

import numpy as np
import pytest

from ridebook.measure.audibility import (
    BANDWIDTH_DB,
    IMPORTANCE,
    INTERNAL_NOISE_DB,
    NO_NOISE_DB,
    NOMINAL_HZ,
    NORMAL_SPEECH_DB,
    intelligibility_index,
    masking_db,
)
from ridebook.measure.bands import BAND_EDGES_HZ, BAND_MIDDLES_HZ
from tests.published.signals import SHARED, table

EXAMPLES = {example["id"]: example for example in table("sii_examples.json")["examples"]}


def columns(name: str) -> dict[str, np.ndarray]:
    """Columns of a CSV table by their names; lines with its source begin with a hash."""
    lines = [line for line in (SHARED / name).read_text(encoding="utf-8").splitlines() if not line.startswith("#")]
    rows = list(csv.DictReader(lines))
    return {key: np.array([float(row[key]) for row in rows]) for key in rows[0]}


def levels(example: dict[str, Any]) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    speech, noise, threshold = (np.array(example[key], dtype=float) for key in "ENT")
    return speech, noise, threshold


def test_constants_are_the_tables() -> None:
    # ANSI S3.5-1997 Table 3, as carried by open programs (the table names them).
    table_3 = columns("sii_third_octave.csv")
    for constant, name in (
        (NOMINAL_HZ, "band_hz"),
        (BANDWIDTH_DB, "bandwidth_db"),
        (NORMAL_SPEECH_DB, "speech_normal"),
        (INTERNAL_NOISE_DB, "internal_noise"),
        (IMPORTANCE, "imp_average_speech"),
    ):
        np.testing.assert_allclose(constant, table_3[name], rtol=0, atol=1e-9, err_msg=name)
    assert sum(IMPORTANCE) == pytest.approx(1.0)


def test_normal_speech_has_its_stated_level() -> None:
    # 62.35 dB SPL in all, by the standard.
    total = 10 * np.log10((10 ** ((np.array(NORMAL_SPEECH_DB) + BANDWIDTH_DB) / 10)).sum())
    assert total == pytest.approx(table("sii_examples.json")["overall_speech_spl_db"]["normal"], abs=0.01)


def test_bands_are_those_of_iec_61260() -> None:
    # IEC 61260-1:2014 clause 5, base ten.
    bands = columns("iec61260_third_octave.csv")
    used = (bands["x"] >= -8) & (bands["x"] <= 9)
    np.testing.assert_array_equal(bands["nominal_hz"][used], NOMINAL_HZ)
    np.testing.assert_allclose(bands["exact_mid_hz"][used], BAND_MIDDLES_HZ, rtol=0, atol=1e-6)
    np.testing.assert_allclose(bands["lower_hz"][used], BAND_EDGES_HZ[:-1], rtol=0, atol=1e-6)
    np.testing.assert_allclose(bands["upper_hz"][used], BAND_EDGES_HZ[1:], rtol=0, atol=1e-6)
    # Table 3 of ANSI S3.5 gives the same widths in dB.
    np.testing.assert_allclose(10 * np.log10(np.diff(BAND_EDGES_HZ)), BANDWIDTH_DB, atol=0.02)


@pytest.mark.parametrize("name", ["TO", "TO_1"])
def test_vectors_of_the_working_group(name: str) -> None:
    # Test vectors of the S3-79 working group's own program.
    example = EXAMPLES[name]
    importance = IMPORTANCE if example["importance"] == "average_speech" else example["importance"]
    index = intelligibility_index(*levels(example), importance)
    assert index == pytest.approx(example["expected"], abs=example["tolerance"])


def test_annex_c_2() -> None:
    # Annex C, example C.2: the printed rows of Z, and the index that the R package SII gives for it.
    example = EXAMPLES["Annex_C_2"]
    printed = example["expected_first_rows_printed_in_standard"]["Z"]
    np.testing.assert_allclose(
        masking_db(*levels(example))[:3], printed, rtol=0, atol=example["intermediate_tolerance"]
    )
    assert intelligibility_index(*levels(example)) == pytest.approx(example["expected_SII_from_cran_SII"], abs=1e-6)


@pytest.mark.parametrize("effort", ["normal", "shout"])
def test_speech_in_quiet_from_near_and_far(effort: str) -> None:
    # Reference outputs of a MATLAB program: two ears, no noise, 0.5 to 20 m.
    example = EXAMPLES[f"quiet_distance_binaural_{effort}"]
    speech = columns("sii_third_octave.csv")[f"speech_{effort}"]
    far_db = 20 * np.log10(np.array(example["distance_m"]))[:, None]
    index = intelligibility_index(speech - far_db, np.full(18, NO_NOISE_DB), example["T"])
    np.testing.assert_allclose(index, example["expected"], rtol=0, atol=example["tolerance"])


def test_shout_in_white_noise() -> None:
    # Reference outputs of the same program.
    example = EXAMPLES["shout_in_white_noise"]
    noise_db = np.array(example["noise_db"], dtype=float)[:, None] + np.zeros(18)
    index = intelligibility_index(columns("sii_third_octave.csv")["speech_shout"], noise_db, example["T"])
    np.testing.assert_allclose(index, example["expected"], rtol=0, atol=example["tolerance"])
    single = intelligibility_index(
        columns("sii_third_octave.csv")["speech_shout"].astype(np.float32), noise_db.astype(np.float32)
    )
    assert single.dtype == np.float32
    np.testing.assert_allclose(single, index, rtol=0, atol=1e-5)
