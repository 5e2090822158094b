"""Measurements that other people published, read from the shared data folder where there is one.

Apple diameters: agridat, byers.apple (80 apples on 6 dates, inches). Peaches: D. Pelliccia,
nirpyresearch, 2020 (50 fruit, degrees Brix by refractometer). Neither table may be carried by this
project, so these tests are skipped, saying so, where the folder is absent; DRUPE_SHARED names it.
"""

from __future__ import annotations

import csv
import os
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from grading.columns import Parsed, to_batch
from grading.kernel import Compiled, compile_standard
from grading.record import FruitRecord
from grading.standard import load_standard
from grading.tally import tally
from tests.support.sample import standard

SHARED = Path(os.environ.get("DRUPE_SHARED") or Path(__file__).parents[3] / "shared")
TABLES = SHARED / "data" / "tables"


def _column(file: str, name: str) -> list[float | None]:
    path = TABLES / file
    if not path.is_file():
        pytest.skip(f"{path} is not here; set DRUPE_SHARED to the folder that holds data/tables")
    with path.open(encoding="utf-8", newline="") as lines:
        return [float(row[name]) if row[name].strip() else None for row in csv.DictReader(lines)]


def _records(field: str, values: list[float | None]) -> Parsed:
    records: list[Any] = [
        FruitRecord(seq=i, **({} if v is None else {field: v})) for i, v in enumerate(values)]
    return to_batch(records=records, source="bench-1", run="r1")


@pytest.fixture(scope="module")
def apples() -> list[float | None]:
    return _column("byers_apple_diameters.csv", "diameter")


def test_apples_read_in_inches_fall_in_the_european_bands(apples: list[float | None]) -> None:
    """480 readings: 164 in [67, 73) mm, 271 in [73, 80), 16 in [80, 90), 29 blank."""
    parsed = _records("diameter_in", apples)
    assert not parsed.refused
    compiled = compile_standard(standard=standard("eu-peaches-2011"))
    sizes = [compiled.size_names[s] for s in compiled.grade(batch=parsed.batch).size]
    assert {name: sizes.count(name) for name in set(sizes)} == {
        "A": 164, "AA": 271, "AAA": 16, "not measured": 29}


def test_apples_that_were_not_measured_stay_without_a_grade(apples: list[float | None]) -> None:
    parsed = _records("diameter_in", apples)
    compiled = compile_standard(standard=standard("eu-peaches-2011"))
    verdicts = compiled.grade(batch=parsed.batch)
    assert [v is None for v in apples] == [
        compiled.grade_names[g] == "undecided" for g in verdicts.grade]


def test_inches_sent_as_millimetres_are_all_refused(apples: list[float | None]) -> None:
    parsed = _records("diameter_mm", apples)
    measured = {i for i, v in enumerate(apples) if v is not None}
    assert set(parsed.refused) == measured
    assert len(measured) == 451
    assert all(findings[0].pointer == "/diameter_mm" and "inches" in findings[0].remedy
               for findings in parsed.refused.values())


def _sugar_standard(limits: tuple[str, ...]) -> Compiled:
    """A ladder of grades that ask for at least so much sugar, sweetest first."""
    grades = "".join(
        f'[[grade]]\nid = "at_least_{limit}"\ntitle = "{limit}"\nrequires = [{{ measure = "sugar",'
        f' at_least = "{limit}", unit = "brix", if_missing = "undecided", source = "test",'
        ' evidence = "house" }]\n'
        for limit in limits)
    head = ('schema = 1\nid = "sugar"\nedition = "1"\ntitle = "Sugar"\nbody = "test"\n'
            'produce = ["peach"]\nin_force_from = 2020-01-01\nverified = false\n')
    return compile_standard(standard=load_standard(text=head + grades))


def test_peach_sugar_counts_and_moments() -> None:
    """50 peaches: mean 16.436, sd 2.181, 11.2 to 20.0; at least 11: 50; 12: 48; 13: 46; 15: 38."""
    brix = _column("nirpy_peach_spectra_brix.csv", "Brix")
    parsed = _records("sugar_brix", brix)
    assert not parsed.refused
    compiled = _sugar_standard(("15", "13", "12", "11"))
    verdicts = compiled.grade(batch=parsed.batch)
    counts = np.bincount(verdicts.grade, minlength=len(compiled.grade_names))
    ladder = np.cumsum(counts[1:-1]).tolist()
    assert dict(zip((15, 13, 12, 11), ladder, strict=True)) == {15: 38, 13: 46, 12: 48, 11: 50}
    moments = tally(batch=parsed.batch, verdicts=verdicts, compiled=compiled).moments["sugar"]
    sd = moments.sd()
    assert sd is not None
    assert (moments.n, moments.mean / 100, sd / 100) == (
        50, pytest.approx(16.436, abs=0.001), pytest.approx(2.181, abs=0.001))
    column = parsed.batch.measures["sugar"]
    assert (int(column.values.min()), int(column.values.max())) == (1120, 2000)
