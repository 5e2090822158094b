"""Hand pulls: posted by a form or the API, graded like any record, answered at once.

A pulled fruit takes the line's road (strict record, kernel, store, commit) under the source
`pull:<id>`, so it can be asked why like any fruit; it never enters the line's counts.
"""

from __future__ import annotations

import asyncio
import hashlib
import sqlite3
from datetime import UTC
from fractions import Fraction
from typing import Any, Final

import msgspec
import numpy as np

from grading.columns import to_batch
from grading.conformance import assess
from grading.declared import Declared, Package
from grading.errors import Finding
from grading.faults import sample_fruit
from grading.firmness import mean_of_readings
from grading.intervals import interval_after
from grading.kernel import Compiled
from grading.part import Part
from grading.record import FruitBatch, FruitRecord
from grading.sugar import corrected_brix
from grading.verdicts import Verdicts
from service.context import Context
from service.ingest.faults import value_findings
from service.lots import LotState
from service.problems import Problem, at
from service.pull_model import PulledFruit, PullIn
from service.rows import fruit_json, utc
from service.store.errors import QueueFull, StorageFailed, StorageFull, StoreClosed
from service.store.group import CONFLICT, PULL
from service.store.pulls import Pull, get_pull, insert_pull
from service.summary import AXES, NOTICE, names, shares, standing, titles
from service.trouble import storage_problem

RUN: Final = "1"
SUGGESTIONS: Final = {
    "meets": "release", "fails": "hold: rework, re-sort or pack under another mark",
    "cannot tell yet": "hold: pull more fruit", "does not apply": "a person decides",
}
PLAIN: Final = ("diameter_mm", "diameter_in", "circumference_mm", "mass_g", "pulp_temp_c",
                "blush_fraction")


def pull_id(pull: PullIn) -> str:
    """The pull's own id, or one made from its content, so that sending it twice is harmless."""
    if pull.id is not None:
        return pull.id
    content = hashlib.sha256(pull.model_dump_json().encode()).hexdigest()
    return f"{pull.drawn_at.astimezone(UTC):%Y%m%dT%H%M%S}-{content[:10]}"


async def take_pull(ctx: Context, *, lot_id: str, pull: PullIn) -> dict[str, Any]:
    """Grade, assess and store a pull; its answer. The same pull again gets the first answer.

    Raises Problem: unknown lot (404), fruit that cannot be used (422, nothing stored), id taken
    by another pull (422), storage.
    """
    state = ctx.lot(lot_id)
    if pull.drawn_ms() > ctx.clock.now_ms() + 5 * 60_000:
        raise Problem(status=422, code="pull", detail="The pull is dated in the future.", findings=[
            Finding("/drawn_at", "future", f"{pull.drawn_at.isoformat()} has not come yet.",
                    "Check the clock and the date.")])
    name = pull_id(pull)
    known = await asyncio.to_thread(_stored, ctx, name)
    if known is not None:
        return _again(known, lot_id, pull)
    batch = _batch(pull, name, state)
    verdicts = state.binding.compiled.grade(batch=batch)
    # Off the event loop: a thousand fruit take a while, and the lines go on meanwhile.
    answer = await asyncio.to_thread(
        _answer, state=state, pull=pull, name=name, batch=batch, verdicts=verdicts)
    row = Pull(id=name, lot=lot_id, purpose=pull.purpose, drawn_ms=pull.drawn_ms(),
               person=pull.person, body=pull.model_dump(mode="json"), result=answer,
               received_ms=ctx.clock.now_ms())
    try:
        # One queue, in order: if the row is refused (the id was taken meanwhile), so are its
        # fruit, as repeats under the same key.
        fruit = ctx.store.writer.submit(
            lot=lot_id, kind=PULL, batch=batch, verdicts=verdicts, digest=state.binding.digest,
            received_ms=row.received_ms)
        kept = ctx.store.writer.run(lambda conn: insert_pull(conn, pull=row))
        receipt = await asyncio.wrap_future(fruit)
        if (receipt.outcome == CONFLICT).any():
            kept.cancel()
            raise _taken(name)
        await asyncio.wrap_future(kept)
    except sqlite3.IntegrityError:
        known = await asyncio.to_thread(_stored, ctx, name)
        assert known is not None
        return _again(known, lot_id, pull)
    except (QueueFull, StorageFull, StorageFailed, StoreClosed) as error:
        raise storage_problem(error) from error
    ctx.metrics.pulls.inc()
    return answer


def _stored(ctx: Context, name: str) -> Pull | None:
    with ctx.store.reader.connection() as conn:
        return get_pull(conn, pull_id=name)


def _again(known: Pull, lot_id: str, pull: PullIn) -> dict[str, Any]:
    # Read through the model: a pull stored before a field was known says nothing about it.
    if known.lot != lot_id or PullIn.model_validate(known.body) != pull:
        raise _taken(known.id)
    return {**known.result, "duplicate": True}


def _taken(name: str) -> Problem:
    return Problem(status=422, code="pull_conflict", detail=(
        f"Pull {name!r} is stored already with other content; the stored one stands. "
        "Post a correction as a new pull."))


def _batch(pull: PullIn, name: str, state: LotState) -> FruitBatch:
    """The pull's fruit as a batch, or every finding about them."""
    findings: list[Finding] = []
    records: list[FruitRecord] = []
    packages = {p.id for p in pull.packages}
    for i, fruit in enumerate(pull.fruit):
        if fruit.package is not None and packages and fruit.package not in packages:
            findings.append(Finding(f"/fruit/{i}/package", "unknown_package",
                                    f"{fruit.package!r} is not one of the pull's packages.",
                                    "List it under packages."))
        try:
            fields = _fields(fruit, pull, i, state)
            records.append(msgspec.convert({"seq": i, **fields}, FruitRecord))
        except _Unusable as error:
            findings.append(at(error.finding, f"/fruit/{i}"))
        except msgspec.ValidationError:
            findings.extend(at(f, f"/fruit/{i}") for f in value_findings(
                value={"seq": i, **fields}))
    if not findings:
        parsed = to_batch(records=records, source=f"pull:{name}", run=RUN)
        for position, found in sorted(parsed.refused.items()):
            findings.extend(at(f, f"/fruit/{position}") for f in found)
        if not findings:
            return parsed.batch
    raise Problem(status=422, code="pull", findings=findings, detail=(
        "Some fruit of the pull cannot be used; nothing was stored. Mend them and post it again."))


class _Unusable(Exception):
    def __init__(self, pointer: str, code: str, message: str, remedy: str) -> None:
        super().__init__(message)
        self.finding = Finding(pointer, code, message, remedy)


def _fields(fruit: PulledFruit, pull: PullIn, row: int, state: LotState) -> dict[str, Any]:
    """The fruit as fields of a record: cheeks averaged, sugar brought to 20 degC, chips as hue."""
    fields: dict[str, Any] = {
        k: v for k in PLAIN if (v := getattr(fruit, k)) is not None}
    for unit in ("firmness_n", "firmness_lbf", "firmness_kgf"):
        readings = getattr(fruit, unit)
        if readings is not None:
            fields[unit] = mean_of_readings(readings=readings)[0]
            tip = fruit.tip_mm if fruit.tip_mm is not None else pull.tip_mm
            if tip is not None:
                fields["tip_mm"] = tip
    if fruit.sugar_brix is not None:
        fields["sugar_brix"] = _sugar(fruit, pull)
    hue = _hue(fruit, state)
    if hue is not None:
        fields["ground_hue_deg"] = hue
    if fruit.defects:
        fields["defects"] = fruit.defects
    if fruit.judged:
        fields["judged"] = fruit.judged
    return fields


def _sugar(fruit: PulledFruit, pull: PullIn) -> float:
    assert fruit.sugar_brix is not None
    atc = pull.sugar_atc if fruit.sugar_atc is None else fruit.sugar_atc
    if fruit.sugar_temp_c is None or atc:
        return fruit.sugar_brix
    try:
        return corrected_brix(reading_brix=fruit.sugar_brix, temperature_c=fruit.sugar_temp_c)
    except ValueError as error:
        field = "/sugar_temp_c" if "temperature" in str(error) else "/sugar_brix"
        raise _Unusable(field, "out_of_table", f"{error}.",
                        "Bring the juice to 10 to 30 °C and read again.") from error


def _hue(fruit: PulledFruit, state: LotState) -> float | None:
    if fruit.ground_chip is None:
        return fruit.ground_hue_deg
    if fruit.ground_hue_deg is not None:
        raise _Unusable("/ground_chip", "measured_twice", "Ground colour is given twice.",
                        "Give a hue or a chip, not both.")
    profile = state.binding.compiled.profile
    chips = profile.chips if profile is not None else {}
    if fruit.ground_chip not in chips:
        known = ", ".join(chips) or "none: the cultivar's profile has no chip chart"
        raise _Unusable("/ground_chip", "unknown_chip",
                        f"Chip {fruit.ground_chip!r} is not in the chart ({known}).",
                        "Read a hue angle instead, or add the chip to the profile.")
    return float(chips[fruit.ground_chip])


def _answer(
    *, state: LotState, pull: PullIn, name: str, batch: FruitBatch, verdicts: Verdicts
) -> dict[str, Any]:
    compiled = state.binding.compiled
    declared = _declared(pull, compiled)
    fruit = sample_fruit(batch=batch, compiled=compiled, declared=declared,
                         packages=[f.package for f in pull.fruit])
    found = assess(compiled=compiled, declared=declared, fruit=fruit, packages=[
        Package(id=p.id, net_weight_g=p.net_weight_g, marked_count=p.marked_count,
                pack_form=p.pack_form) for p in pull.packages])
    n = len(batch)
    return {
        "pull": {
            "id": name, "lot": state.id, "purpose": pull.purpose, "person": pull.person,
            "drawn_at": utc(pull.drawn_ms()), "how_drawn": pull.how_drawn, "n": n,
            "instruments": pull.instruments, "declared": pull.declared.model_dump(mode="json"),
        },
        "graded_under": standing(compiled=compiled),
        "declared_grade": declared.grade,
        "verdict": found.verdict,
        "sentence": found.text,
        "suggestion": SUGGESTIONS[found.verdict],
        "next_pull_due": _next_due(pull, compiled),
        "shares": {f"by_{axis}": _shares(axis, verdicts, compiled) for axis in AXES},
        "requirements": [part_json(p) for p in found.parts],
        "warnings": list(found.warnings),
        "open_points": list(found.open_points),
        "fruit": [
            {**fruit_json(batch=batch, verdicts=verdicts, row=i, compiled=compiled),
             "package": pulled.package, "firmness_spread": _spread(pulled),
             "faults": [f.text for f in one.faults]}
            for i, (pulled, one) in enumerate(zip(pull.fruit, fruit, strict=True))
        ],
        "notice": NOTICE,
    }


def _declared(pull: PullIn, compiled: Compiled) -> Declared:
    """What the pull is held against; without a declared grade, the standard's best one."""
    said = pull.declared
    grades = [g.id for g in compiled.standard.grade]
    grade = said.grade or grades[0]
    if grade not in grades:
        raise Problem(status=422, code="pull", detail="The declared grade is not known.", findings=[
            Finding("/declared/grade", "unknown_grade", f"{grade!r} is not a grade of "
                    f"{compiled.standard.name}.", f"Use one of {', '.join(grades)}.")])
    return Declared(
        grade=grade, stage=said.stage, min_diameter=said.diameter_mm("min"),
        max_diameter=said.diameter_mm("max"), marked_count=said.marked_count,
        net_weight_g=said.net_weight_g, pack_form=said.pack_form,
        dispatch=pull.drawn_at.date(), hemisphere=said.hemisphere, size=said.size,
        basis=compiled.basis)


def _shares(axis: str, verdicts: Verdicts, compiled: Compiled) -> list[dict[str, Any]]:
    labels = names(compiled=compiled, axis=axis)
    counts = np.bincount(getattr(verdicts, axis), minlength=len(labels))
    return [
        {"code": code, "title": title, **share}
        for code, title, share in zip(labels, titles(compiled=compiled, axis=axis),
                                      shares(counts=counts, n=len(verdicts)), strict=True)
        if share["count"]
    ]


def _spread(fruit: PulledFruit) -> float | None:
    """Largest minus smallest cheek, in the unit it was read in."""
    for readings in (fruit.firmness_n, fruit.firmness_lbf, fruit.firmness_kgf):
        if readings is not None and len(readings) > 1:
            return round(mean_of_readings(readings=readings)[1], 6)
    return None


def _next_due(pull: PullIn, compiled: Compiled) -> str | None:
    minutes = [s.next_pull_minutes for s in compiled.standard.fruit_sample if s.next_pull_minutes]
    if not minutes:
        return None
    return utc(pull.drawn_ms() + min(minutes) * 60_000)


def part_json(part: Part) -> dict[str, Any]:
    """One rule's verdict on the wire."""
    return {
        "id": part.id, "title": part.title, "verdict": part.verdict, "x": part.x, "n": part.n,
        "share": _number(part.share), "limit": _number(part.limit),
        "low": part.interval.low if part.interval else None,
        "high": part.interval.high if part.interval else None,
        "rule": part.rule, "evidence": part.evidence, "more_fruit": part.more_fruit,
        "after": _after(part),
        "package": part.package, "sentence": part.sentence, "source": part.source,
        "evidence_tag": part.tag,
    }


def _after(part: Part) -> dict[str, Any] | None:
    """The offer to make where a sample does not settle it: the interval after one and a half
    times as many fruit more, if the share stays as it was seen."""
    if part.evidence != "not shown" or part.x is None or not part.n:
        return None
    extra = part.n * 3 // 2
    interval = interval_after(x=part.x, n=part.n, extra=extra)
    return {"extra": extra, "low": interval.low, "high": interval.high}


def _number(value: Fraction | None) -> float | None:
    return None if value is None else float(value)
