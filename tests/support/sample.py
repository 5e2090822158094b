"""Hand-pulled samples for tests: from records through the whole road, or stated as counts."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from functools import lru_cache
from pathlib import Path
from typing import Any

from grading.columns import to_batch
from grading.conformance import Assessment, assess
from grading.declared import Declared, Package
from grading.faults import Fault, SampleFruit, sample_fruit
from grading.kernel import Compiled, compile_standard
from grading.record import Defect, FruitBatch, FruitRecord
from grading.standard import PackStandard, load_standard

ROOT = Path(__file__).parents[2]
SHIPPED = ROOT / "grading" / "standards"
TEST_ONLY = ROOT / "tests" / "reference" / "standards"

Groups = Sequence[tuple[int, Mapping[str, Any]]]


@lru_cache(maxsize=64)
def standard(name: str) -> PackStandard:
    """A shipped standard, or one that only the tests use."""
    path = SHIPPED / f"{name}.toml"
    if not path.exists():
        path = TEST_ONLY / f"{name}.toml"
    return load_standard(text=path.read_text(encoding="utf-8"), name=name)


def compiled(name: str, basis: str = "diameter", **changes: Any) -> Compiled:
    """A standard compiled, with top-level parts replaced by `changes`."""
    return compile_standard(standard=standard(name).model_copy(update=changes), basis=basis)


def defect(kind: str, severity: str | None = "damage", **extent: Any) -> dict[str, Any]:
    """Fields of a fruit with one defect, its severity stated by a person."""
    return {"defects": [Defect(kind=kind, severity=severity, **extent)]}


def batch(groups: Groups) -> tuple[FruitBatch, list[str | None]]:
    """(fruit of the groups in order, the package of each). A group's "package" is not a field."""
    records, packages = [], []
    for count, fields in groups:
        own = dict(fields)
        package = own.pop("package", None)
        for _ in range(count):
            records.append(FruitRecord(seq=len(records), **own))
            packages.append(package)
    parsed = to_batch(records=records, source="bench-1", run="r1")
    assert not parsed.refused
    return parsed.batch, packages


def pull(
    compiled: Compiled, declared: Declared, groups: Groups, packages: Sequence[Package] = (),
    **rest: Any,
) -> Assessment:
    """The assessment of a sample given as (count, fields of each fruit)."""
    if not groups:
        return assess(compiled=compiled, declared=declared, fruit=(), packages=packages, **rest)
    fruit, boxes = batch(groups)
    sample = sample_fruit(batch=fruit, compiled=compiled, declared=declared, packages=boxes)
    return assess(compiled=compiled, declared=declared, fruit=sample, packages=packages, **rest)


def fault(kind: str, group: str = "defect", severity: str = "damage",
          permanence: str = "permanent", open: bool = False) -> Fault:
    return Fault(group, kind, severity, permanence, kind, open)  # type: ignore[arg-type]


def plain_fruit(*faults: Fault, **fields: Any) -> SampleFruit:
    """A fruit stated directly: sound unless faults or fields say otherwise."""
    known: dict[str, Any] = {
        "row": 0, "size": "not measured", "maturity": "not measured", "grade": "", "meets":
        frozenset(), "diameter_mm": None, "mass_g": None, "sugar_brix": None, "firmness_n": None,
        "package": None, "kinds": frozenset(f.kind for f in faults)}
    return SampleFruit(faults=faults, **{**known, **fields})


def synthetic(counts: Sequence[tuple[int, SampleFruit]]) -> tuple[SampleFruit, ...]:
    """A sample stated as counts of fruit that are alike."""
    return tuple(fruit for count, fruit in counts for _ in range(count))
