"""What the loader proves of a standard before anybody grades with it.

Bands in order and without gap or overlap, names that exist, nested tolerances that exist, honest
"verified", and that every reachable fruit gets exactly one outcome: the compiled table has one row
for every cell that the limits make, so compiling it is the proof.
"""

from __future__ import annotations

from collections.abc import Iterator
from fractions import Fraction

import numpy as np

from grading.errors import Finding
from grading.profile import TRAITS
from grading.quantities import MEASURES
from grading.reasons import MISSING
from grading.rules import Judged, MaturityIs, Measured, SizeIs, leaves
from grading.standard import Indicator, PackStandard, SizeTable


def prove(*, standard: PackStandard) -> tuple[Finding, ...]:
    """Every fault found; empty when the standard can be used."""
    findings = [
        *(f for i, t in enumerate(standard.sizing) for f in _bands(t, f"/sizing/{i}")),
        *_maturity(standard),
        *_grades(standard),
        *_packs(standard),
        *_tolerances(standard),
        *_lot_names(standard),
        *_unique(standard),
        *_verified(standard),
    ]
    return tuple(findings) if findings else tuple(_compiles(standard))


def _bands(table: SizeTable, path: str) -> Iterator[Finding]:
    codes = [b.code for b in table.bands]
    for code in {c for c in codes if codes.count(c) > 1}:
        yield Finding(f"{path}/bands", "band_twice", f"Size {code!r} is listed twice.",
                      "Give every band its own code.")
    if table.closed == "both" and not table.overlap:
        yield Finding(f"{path}/closed", "closed_both", "A fruit on a bound would have two sizes.",
                      "Write closed = \"low\" or \"high\", or overlap = true.")
    previous: Fraction | None = None
    for i, band in enumerate(table.bands):
        low, high = table.bounds_si(band)
        here = f"{path}/bands/{i}"
        if (low is None and i > 0) or (high is None and i < len(table.bands) - 1):
            yield Finding(here, "open_band",
                          f"Band {band.code!r} is open in the middle of the table.",
                          "Only the first band may lack `low` and only the last may lack `high`.")
        if low is not None and high is not None and low >= high:
            yield Finding(here, "empty_band", f"Band {band.code!r} ends at or before its start.",
                          "Write bands smallest first, low before high.")
        if not table.overlap and i > 0 and low != previous:
            word = "a gap" if previous is None or low is None or low > previous else "an overlap"
            yield Finding(here, "band_not_joined",
                          f"There is {word} between {table.bands[i - 1].code!r} and {band.code!r}.",
                          "Let each band start where the one before ends.")
        previous = high


def _maturity(standard: PackStandard) -> Iterator[Finding]:
    if standard.maturity is None:
        return
    classes = standard.maturity.classes
    for i, by in enumerate(standard.maturity.by):
        path = f"/maturity/by/{i}"
        for trait in by.when:
            if trait not in TRAITS:
                yield Finding(f"{path}/when", "unknown_trait", f"{trait!r} is not a trait.",
                              f"Use one of {', '.join(TRAITS)}.")
        yield from _steps(by, classes, path)


def _steps(by: Indicator, classes: tuple[str, ...], path: str) -> Iterator[Finding]:
    lows = [s.low for s in by.steps[1:]]
    if by.steps[0].low is not None or any(low is None for low in lows):
        yield Finding(f"{path}/steps", "step_bounds", "The first step must have no `low`, every "
                      "other step needs one.", "Write steps in rising order of the measure.")
    elif lows != sorted({low for low in lows if low is not None}):
        yield Finding(f"{path}/steps", "step_order", "The steps are not in rising order.",
                      "Write steps in rising order of the measure.")
    for step in by.steps:
        if step.maturity not in classes:
            yield Finding(f"{path}/steps", "unknown_class",
                          f"{step.maturity!r} is not a maturity class.",
                          f"Use one of {', '.join(classes)}.")


def _grades(standard: PackStandard) -> Iterator[Finding]:
    maturities = standard.maturity.classes if standard.maturity else ()
    sizes = {b.code for t in standard.sizing for b in t.bands}
    kinds = {d.kind for d in standard.defect}
    for i, grade in enumerate(standard.grade):
        path = f"/grade/{i}"
        if grade.id in ("cull", "undecided"):
            yield Finding(f"{path}/id", "reserved_name", f"{grade.id!r} is a class of its own.",
                          "Choose another grade id.")
        for kind in grade.free_from:
            if kind not in kinds:
                yield Finding(f"{path}/free_from", "unknown_defect",
                              f"{kind!r} is not among the standard's defects.",
                              "Add a [[defect]] of that kind.")
        for leaf in (x for rule in grade.requires for x in leaves(rule)):
            known: set[str] | tuple[str, ...] | None = None
            names: tuple[str, ...] = ()
            if isinstance(leaf, MaturityIs):
                known, names = maturities, leaf.maturity
            elif isinstance(leaf, SizeIs):
                known, names = sizes, leaf.size
            elif isinstance(leaf, Measured) and leaf.measure not in MISSING:
                yield Finding(f"{path}/requires", "not_a_grade_measure",
                              f"{leaf.measure} is not something a grade is given for.",
                              f"Use one of {', '.join(MISSING)}.")
            for name in names:
                if known is not None and name not in known:
                    yield Finding(f"{path}/requires", "unknown_class", f"{name!r} is not a class "
                                  "of this standard.", f"Use one of {', '.join(sorted(known))}.")


def _packs(standard: PackStandard) -> Iterator[Finding]:
    grades = {g.id for g in standard.grade}
    sizes = {b.code for t in standard.sizing for b in t.bands}
    maturities = set(standard.maturity.classes) if standard.maturity else set()
    for i, pack in enumerate(standard.pack):
        for what, names, known in (("grades", pack.grades, grades), ("sizes", pack.sizes, sizes),
                                   ("maturities", pack.maturities, maturities)):
            for name in names:
                if name not in known:
                    yield Finding(f"/pack/{i}/{what}", "unknown_class",
                                  f"{name!r} is not one of the standard's {what}.",
                                  f"Use one of {', '.join(sorted(known))}.")


def _tolerances(standard: PackStandard) -> Iterator[Finding]:
    grades = {g.id for g in standard.grade}
    ids = {t.id for t in standard.tolerance}
    held: set[tuple[str, str, str]] = set()
    for i, tolerance in enumerate(standard.tolerance):
        path = f"/tolerance/{i}"
        here = {(tolerance.id, g, str(s)) for g in tolerance.grades or sorted(grades)
                for s in tolerance.stages}
        for _, grade, stage in sorted(here & held)[:1]:
            yield Finding(path, "named_twice",
                          f"{tolerance.id!r} is given twice for {grade} at {stage}.",
                          "Give each grade and stage one such tolerance.")
        held |= here
        if tolerance.within is not None and tolerance.within not in ids:
            yield Finding(f"{path}/within", "unknown_tolerance",
                          f"{tolerance.within!r} is not a tolerance.", "Name an existing one.")
        named = (*tolerance.grades, *((tolerance.counts.below_grade,)
                                      if tolerance.counts.below_grade else ()))
        for name in named:
            if name not in grades:
                yield Finding(path, "unknown_grade", f"{name!r} is not a grade.",
                              f"Use one of {', '.join(sorted(grades))}.")
        if not 0 <= tolerance.percent <= 100:
            yield Finding(f"{path}/percent", "out_of_range", "A tolerance is 0 to 100 percent.", "")


def _lot_names(standard: PackStandard) -> Iterator[Finding]:
    """Names that the lot rules use: a misspelt one would quietly rule nothing."""
    grades = {g.id for g in standard.grade}
    kinds = {d.kind for d in standard.defect}
    bases = {str(t.basis) for t in standard.sizing}
    rules = {r.id for r in standard.count_mark} | {r.id for r in standard.spread} \
        | {r.id for r in standard.window}
    used: list[tuple[str, str, tuple[str, ...], set[str]]] = []
    for i, t in enumerate(standard.tolerance):
        reserved = t.reserve.kinds if t.reserve else ()
        used.append((f"/tolerance/{i}", "defect", (*t.counts.kinds, *reserved), kinds))
    for i, p in enumerate(standard.package_limit):
        for allowed in (p.always_allowed, p.at_most):
            if allowed:
                used.append((f"/package_limit/{i}", "defect",
                             (*allowed.kinds, *allowed.serious_kinds), kinds))
    used += [(f"/lot_share/{i}", "grade", (*s.grades, *filter(None, (s.meets_grade,))), grades)
             for i, s in enumerate(standard.lot_share)]
    used += [(f"/package_share/{i}", "package rule", s.of, rules)
             for i, s in enumerate(standard.package_share)]
    for i, m in enumerate(standard.grade_minimum):
        used += [(f"/grade_minimum/{i}", "grade", m.grades, grades),
                 (f"/grade_minimum/{i}", "basis", (m.basis,), bases)]
    for i, b in enumerate(standard.season_ban):
        codes = {band.code for t in standard.sizing if t.basis == b.basis for band in t.bands}
        used += [(f"/season_ban/{i}", "basis", (b.basis,), bases),
                 (f"/season_ban/{i}", "size", b.sizes, codes)]
    for path, what, names, known in used:
        for name in names:
            if name not in known:
                yield Finding(path, "unknown_name", f"{name!r} is not a {what} of this standard.",
                              f"Use one of {', '.join(sorted(known)) or 'none: there is none'}.")


def _unique(standard: PackStandard) -> Iterator[Finding]:
    for name, items in (
        ("grade", [g.id for g in standard.grade]), ("pack", [p.id for p in standard.pack]),
        ("defect", [d.kind for d in standard.defect]),
        ("sizing", [str(t.basis) for t in standard.sizing]),
    ):
        for item in sorted({x for x in items if items.count(x) > 1}):
            yield Finding(f"/{name}", "named_twice", f"{item!r} is listed twice.",
                          "Every entry needs its own name.")


def _verified(standard: PackStandard) -> Iterator[Finding]:
    memory = sorted(p for tag, paths in standard.evidence().items() if tag.startswith("M")
                    for p in paths)
    if standard.verified and memory:
        yield Finding("/verified", "not_verified",
                      f"{len(memory)} rules rest on memory, the first at {memory[0]}.",
                      "Set verified = false until each is read in its source.")


def _compiles(standard: PackStandard) -> Iterator[Finding]:
    from grading.kernel import Compiled  # the kernel imports the standard's model

    for basis in [t.basis for t in standard.sizing if not t.overlap] or ["diameter"]:
        try:
            compiled = Compiled(standard=standard, profile=None, basis=basis)
        except ValueError as error:
            yield Finding("/sizing", "cannot_compile", f"{error}.", "")
            continue
        for axis in compiled.axes:
            held = np.iinfo(MEASURES[axis.measure].dtype)
            for mark in axis.thresholds:
                if not held.min <= mark <= held.max:
                    value = MEASURES[axis.measure].value(quanta=mark)
                    yield Finding("", "limit_out_of_range",
                                  f"A limit of {value:g} {MEASURES[axis.measure].unit} on "
                                  f"{axis.measure} is beyond any fruit.", "Check the unit.")


def open_points(*, standard: PackStandard, grade_id: str) -> tuple[Judged, ...]:
    """The points of a grade that only a person can judge."""
    for grade in standard.grade:
        if grade.id == grade_id:
            return tuple(x for rule in grade.requires for x in leaves(rule)
                         if isinstance(x, Judged))
    return ()
