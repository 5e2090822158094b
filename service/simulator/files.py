"""What a simulation leaves on the disk: the truth beside the stream, and records as files."""

from __future__ import annotations

import json
from collections.abc import Iterator
from contextlib import ExitStack
from dataclasses import asdict
from pathlib import Path
from typing import Any, Final

import msgspec
import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq

from service.simulator.fruit import DEFECTS
from service.simulator.hand import moment
from service.simulator.records import columns_of, records_of
from service.simulator.rules import text_under
from service.simulator.shift import LineShift
from service.simulator.slices import Slice
from service.simulator.truth import Truth
from service.simulator.whole import Shift

PIECE: Final = 65_536
"""Fruit of one row group."""
_DEFECT: Final = pa.array([None, *(kind for kind, _, _ in DEFECTS)], pa.utf8())
_TEXT: Final = pa.dictionary(pa.int32(), pa.utf8())


def seal(*, shift: Shift, start_ms: int | None = None, speed: float = 1.0) -> dict[str, Any]:
    """What every file carries: plan, digest of the plan and seed, and how time went."""
    begin = shift.start_ms if start_ms is None else start_ms
    return {"plan": shift.plan.name, "plan_digest": shift.plan.digest(), "seed": shift.seed,
            "start": moment(start_ms=begin, seconds=0).isoformat(timespec="milliseconds"),
            "speed": speed}


def truth_json(*, shift: Shift, start_ms: int | None = None, speed: float = 1.0) -> dict[str, Any]:
    """Everything of a shift but its fruit: events with their causes, boundaries, lanes, lots,
    pulls and checks. Times are seconds after the start at true speed."""
    return {
        **seal(shift=shift, start_ms=start_ms, speed=speed),
        "notice": "Simulated: invented fruit. A house record, not an official certificate.",
        "title": shift.plan.title, "house": shift.plan.house, "hours": shift.plan.hours,
        "lines": [_line(line) for line in shift.lines.values()],
        "events": [asdict(e) for e in shift.events],
        "boundaries": [asdict(b) for b in shift.boundaries],
        "pulls": [{"line": p.line, "lot": p.lot.id, "seconds": p.seconds, "paired": p.paired,
                   "run": p.run, "seq": p.seq.tolist(), "fruit": p.fruit.tolist(),
                   "hand": {k: v.tolist() for k, v in p.hand.items()}} for p in shift.pulls],
        "checks": [{"line": c.line, "source": c.source, "seconds": c.seconds,
                    "readings": _readings(c.lane, c.measure, c.object, c.known, c.reading)}
                   for c in shift.checks],
        "plan_content": shift.plan.model_dump(mode="json"),
    }


def _readings(lane: Any, measure: Any, name: Any, known: Any, reading: Any) -> list[dict[str, Any]]:
    return [{"lane": one, "measure": m, "object": o, "known": k, "reading": r}
            for one, m, o, k, r in zip(lane.tolist(), measure, name, known.tolist(),
                                       reading.tolist(), strict=True)]


def _line(line: LineShift) -> dict[str, Any]:
    first = line.schedule.lot_first.tolist()
    return {
        "id": line.id, "source": line.source, "lanes": line.plan.lanes, "fruit": len(line),
        "fruit_per_s": line.plan.rate,
        "lane_offsets": {m: values.tolist() for m, values in line.offsets.items()},
        "runs": [{"run": k + 1, "first_fruit": f} for k, f in enumerate(line.run_first)],
        "lots": [{**lot.opening(line=line.id, standard=lot.standard), "bins": lot.bins,
                  "first_fruit": first[k], "fruit": first[k + 1] - first[k]}
                 for k, lot in enumerate(line.lots)],
    }


def truth_table(*, part: Slice) -> Any:
    """An Arrow table, one row a fruit, those without a record too."""
    n, truth = len(part), part.truth
    columns: dict[str, Any] = {
        "fruit": np.arange(part.first, part.first + n), "run": np.full(n, part.run, np.int16),
        "seq": pa.array(part.seq, pa.int64(), mask=~part.sent),
        "lot": _same(part.lot.id, n), "bin": part.bin.astype(np.int16), "lane": part.lane,
        "seconds": part.seconds, "clock_ahead_s": part.ahead_s,
        "rule": np.full(n, part.rule, np.int16), "events": part.acted,
        "impossible": part.impossible}
    for name in Truth.__dataclass_fields__:
        if name not in ("defect", "circle_mm"):
            columns[name] = getattr(truth, name)
    columns["defect"] = _DEFECT.take(pa.array(truth.defect)).dictionary_encode()
    columns["circle_mm"] = pa.array(truth.circle_mm, from_pandas=True)
    return pa.table(columns)


def _same(text: str, n: int) -> Any:
    return pa.DictionaryArray.from_arrays(np.zeros(n, np.int32), pa.array([text]))


def write_truth(
    *, shift: Shift, folder: Path, start_ms: int | None = None, speed: float = 1.0
) -> list[Path]:
    """`truth.json`, and `truth-<line>.parquet` with a row for each fruit; the paths written."""
    folder.mkdir(parents=True, exist_ok=True)
    head = seal(shift=shift, start_ms=start_ms, speed=speed)
    paths = [folder / "truth.json"]
    paths[0].write_text(json.dumps(
        truth_json(shift=shift, start_ms=start_ms, speed=speed), indent=1) + "\n", "utf-8")
    for line in shift.lines.values():
        paths.append(folder / f"truth-{line.id}.parquet")
        tables = (truth_table(part=part) for part in line.slices(fruit=PIECE))
        _write_parquet(paths[-1], tables, head)
    return paths


def _write_parquet(path: Path, tables: Iterator[Any], head: dict[str, Any]) -> None:
    seals = {f"drupe.{k}": str(v) for k, v in head.items()}
    writer = None
    with ExitStack() as stack:
        for table in tables:
            if writer is None:
                writer = stack.enter_context(pq.ParquetWriter(
                    path, table.schema.with_metadata(seals), compression="zstd"))
            writer.write_table(table.replace_schema_metadata(seals))


def write_records(*, shift: Shift, folder: Path, form: str) -> list[Path]:
    """The records in files, one for each line, lot and run, in the order they passed, without
    repeats; `form` is "ndjson" or "parquet". Beside them the lots as they are opened, and every
    changed pack standard. The paths written."""
    folder.mkdir(parents=True, exist_ok=True)
    lots = [lot.opening(line=line.id, standard=lot.standard)
            for line in shift.lines.values() for lot in line.lots]
    paths = [folder / "lots.json"]
    paths[0].write_text(json.dumps(lots, indent=1) + "\n", "utf-8")
    for line in shift.lines.values():
        marks = sorted({*line.schedule.lot_first.tolist(), *line.run_first})
        for first, after in zip(marks, [*marks[1:], len(line)], strict=True):
            parts = line.slices(start=first, stop=after, fruit=PIECE)
            head = next(line.slices(start=first, stop=first + 1), None)
            if head is None:
                continue
            path = folder / f"{line.id}.{head.lot.id}.r{head.run}.{form}"
            if form == "parquet":
                _write_parquet(path, (record_table(part=p) for p in parts), seal(shift=shift))
            else:
                _write_ndjson(path, parts)
            paths.append(path)
        paths += _write_standards(shift, line, folder)
    return paths


def _write_ndjson(path: Path, parts: Iterator[Slice]) -> None:
    encode = msgspec.json.Encoder().encode_lines
    with path.open("wb") as file:
        for part in parts:
            file.write(encode(records_of(part=part)))


def _write_standards(shift: Shift, line: LineShift, folder: Path) -> Iterator[Path]:
    for rule in range(len(line.rule_first)):
        part = next(line.slices(start=line.rule_first[rule], fruit=1))
        changes = shift.changes(part)
        if changes:
            path = folder / f"{shift.standard(part).name.replace('@', '-')}.toml"
            path.write_text(text_under(standard=part.lot.standard, changes=changes), "utf-8")
            yield path


def record_table(*, part: Slice) -> Any:
    """The records of a slice as an Arrow table, one column a field."""
    columns = columns_of(part=part, rows=np.flatnonzero(part.sent))
    kinds = {"seq": pa.int64(), "lane": pa.uint8(), "time_unix_ms": pa.int64(),
             "defects": pa.utf8()}
    columns["defects"] = [None if d is None else msgspec.json.encode(d).decode()
                          for d in columns["defects"]]
    return pa.table({name: pa.array(values, kinds.get(name, pa.float64()))
                     for name, values in columns.items()})
