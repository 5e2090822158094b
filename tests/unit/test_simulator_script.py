"""The order of sending, and the files: every fruit once, breaks held, the truth beside it all."""

from __future__ import annotations

import hashlib
import json
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow.parquet as pq
import pytest

from service.ingest.files import read_pieces
from service.simulator import Shift
from service.simulator.files import write_records, write_truth
from service.simulator.script import Checked, Cut, Drawn, Send, Step, Turn, script_of
from tests.support.shifts import LOT, plan_of, whole

LOTS = [{**LOT, "id": f"L-{k}", "bins": 5, "bin_fruit": 960} for k in (1, 2)]
BREAK = {"kind": "network_break", "start_min": 1, "end_min": 2, "size": 100}


def script(*events: dict[str, Any], body_fruit: int = 320, **more: Any) -> tuple[Shift, list[Step]]:
    shift = Shift(plan=plan_of(*events, **{"hours": 0.12, "lots": LOTS, "gap_s": 30.0, **more}))
    return shift, list(script_of(shift=shift, line=shift.lines["line-1"], body_fruit=body_fruit))


def sent(steps: list[Step], *, again: bool = False) -> list[int]:
    """Numbers on the line of the fruit of all sends."""
    return [int(s.part.first + row) for s in steps
            if isinstance(s, Send) and s.again is again for row in s.rows]


def test_every_record_is_sent_once_and_in_time() -> None:
    shift, steps = script({"kind": "double_fruit", "size": 0.05})
    gave = [p.first + np.flatnonzero(p.sent) for p in shift.lines["line-1"].slices()]
    assert sent(steps) == np.concatenate(gave).tolist()
    assert sent(steps, again=True) == []
    due = [s.due_s for s in steps]
    assert due == sorted(due)
    for step in steps:
        if isinstance(step, Send):
            assert step.due_s == step.part.seconds[-1]
            assert len(step.part) <= 320


def test_lots_are_turned_in_their_gaps() -> None:
    shift, steps = script()
    line = shift.lines["line-1"]
    turns = [s for s in steps if isinstance(s, Turn)]
    assert [t.lot.id if t.lot else None for t in turns] == ["L-1", None, "L-2", None]
    after, before = (float(line.schedule.seconds(fruit=int(line.schedule.lot_first[1]) - d))
                     for d in (1, 0))
    assert before - after == pytest.approx(30 + 1 / 32)
    assert after < turns[1].due_s < turns[2].due_s < before
    lot = None
    for step in steps:
        if isinstance(step, Turn):
            lot = step.lot
        elif isinstance(step, Send):
            assert step.part.lot is lot
    _, tight = script(gap_s=0.0)
    assert [t.lot.id if t.lot else None for t in tight if isinstance(t, Turn)] == [
        "L-1", "L-2", None]


def test_a_break_holds_fruit_back_and_repeats_those_before_it() -> None:
    shift, steps = script(BREAK)
    (cut,) = [s for s in steps if isinstance(s, Cut)]
    at = steps.index(cut)
    assert cut.due_s == 60.0
    assert 60 * 32 - 320 <= cut.send.part.first <= 60 * 32
    # Next come the 100 before, then the body that was on its way, then what waited.
    repeats = sent(steps, again=True)
    assert repeats == list(range(cut.send.part.first - 100, cut.send.part.first))
    assert sent(steps[:at]) == list(range(cut.send.part.first))
    assert sent(steps) == list(range(len(shift.lines["line-1"])))
    assert all(s.due_s >= 120.0 for s in steps[at + 1:])
    waited = [s for s in steps[at:] if isinstance(s, Send) and s.due_s == 120.0 and not s.again]
    assert sum(len(s.rows) for s in waited) == pytest.approx(60 * 32, abs=320)


def test_breaks_may_follow_at_once_and_reach_over_a_change_of_lots() -> None:
    first = {**BREAK, "start_min": 2, "end_min": 4, "size": 0}
    shift, steps = script(first, {**BREAK, "start_min": 4, "end_min": 4.5}, {**BREAK, "start_min":
                                                                             4.1, "end_min": 4.2})
    cuts = [s for s in steps if isinstance(s, Cut)]
    assert [c.due_s for c in cuts] == [120.0, 240.0, 270.0]
    assert sent(steps) == list(range(len(shift.lines["line-1"])))
    turns = [s for s in steps if isinstance(s, Turn)]
    assert turns[1].due_s == turns[2].due_s >= 240.0
    due = [s.due_s for s in steps]
    assert due == sorted(due)


def test_disorder_moves_fruit_back_by_at_most_its_size() -> None:
    _, steps = script({"kind": "out_of_order", "size": 40, "start_min": 0.5, "end_min": 1.5})
    moved = 0
    for step in steps:
        if not isinstance(step, Send):
            continue
        order = np.argsort(step.rows)
        assert np.array_equal(step.rows[order], np.arange(len(step.rows)))
        late = np.arange(len(step.rows)) - step.rows
        moved += int((late != 0).sum())
        assert np.abs(late).max(initial=0) <= 40
        if step.part.seconds[-1] < 30 or step.part.seconds[0] >= 90:
            assert not late.any()
    assert moved > 60 * 32 * 0.8


def test_changed_cuts_pulls_and_checks_come_in_their_place() -> None:
    shift, steps = script(
        {"kind": "cut_change", "size": -1.5, "start_min": 1, "end_min": 2}, BREAK,
        pulls=[{"first_min": 0.5, "every_min": 1, "n": 20}],
        checks=[{"first_min": 0, "every_min": 2}, {"first_min": 7}])
    turns = [(t.lot.id if t.lot else None, len(t.changes)) for t in steps if isinstance(t, Turn)]
    assert turns == [("L-1", 0), ("L-1", 1), ("L-1", 0), (None, 0), ("L-2", 0), (None, 0)]
    known: set[int] = set()
    for step in steps:
        if isinstance(step, Send):
            known |= {int(step.part.first + r) for r in step.rows}
        elif isinstance(step, Drawn):
            assert set(step.pull.fruit.tolist()) <= known
    assert len([s for s in steps if isinstance(s, Drawn)]) == len(shift.pulls) > 4
    checks = [s for s in steps if isinstance(s, Checked)]
    assert [c.check.seconds for c in checks] == [0, 120, 240, 360, 420]
    assert all(c.due_s >= c.check.seconds for c in checks)
    due = [s.due_s for s in steps]
    assert due == sorted(due)


def test_the_truth_has_every_fruit_and_every_event_with_seed_and_digest(tmp_path: Path) -> None:
    plan = plan_of({"kind": "lane_offset", "size": 0.5, "lanes": [2], "start_min": 2},
                   {"kind": "double_fruit", "size": 0.1}, hours=0.1, lots=LOTS,
                   pulls=[{"first_min": 1, "n": 5}], checks=[{"first_min": 0}])
    shift = Shift(plan=plan, seed=99)
    paths = write_truth(shift=shift, folder=tmp_path / "new")
    told = json.loads(paths[0].read_text())
    canonical = json.dumps(told["plan_content"], sort_keys=True, separators=(",", ":"))
    assert told["plan_digest"] == hashlib.sha256(canonical.encode()).hexdigest()
    assert (told["seed"], told["plan"]) == (99, "test")
    assert [(e["kind"], e["cause"], e["lanes"], e["size"], e["start_s"]) for e in told["events"]
            ] == [("lane_offset", "measurement", [2], 0.5, 120.0),
                  ("double_fruit", "measurement", list(range(1, 9)), 0.1, 0.0)]
    assert [b["lot"] for b in told["boundaries"] if b["kind"] == "lot"] == ["L-1", "L-2"]
    assert len(told["pulls"][0]["hand"]["diameter_mm"]) == 5
    assert len(told["checks"][0]["readings"]) == 8 * 5
    line = shift.lines["line-1"]
    assert told["lines"][0]["fruit"] == sum(
        lot["fruit"] for lot in told["lines"][0]["lots"]) == len(line)
    table = pq.read_table(paths[1])
    assert table.schema.metadata[b"drupe.seed"] == b"99"
    assert table.schema.metadata[b"drupe.plan_digest"].decode() == plan.digest()
    assert table.num_rows == len(line)
    parts = list(line.slices())
    for name in ("diameter_mm", "sugar_brix", "mass_g"):
        assert np.array_equal(table[name].to_numpy(),
                              np.concatenate([getattr(p.truth, name) for p in parts]))
    assert np.array_equal(table["events"].to_numpy(), np.concatenate([p.acted for p in parts]))
    lost = sum(int((~p.sent).sum()) for p in parts)
    assert table["seq"].null_count == lost > 50
    assert set(table["lot"].to_pylist()) == {"L-1", "L-2"}
    kinds = table["defect"].to_pylist()
    assert sum(k is not None for k in kinds) == sum(
        int((p.truth.defect > 0).sum()) for p in parts)


@pytest.mark.parametrize("form", ["ndjson", "parquet"])
def test_record_files_read_back_as_the_batches(tmp_path: Path, form: str) -> None:
    plan = plan_of({"kind": "sensor_restart", "start_min": 1}, hours=0.04, lots=LOTS)
    shift = Shift(plan=plan)
    paths = write_records(shift=shift, folder=tmp_path, form=form)
    assert [p.name for p in paths] == ["lots.json", f"line-1.L-1.r1.{form}",
                                       f"line-1.L-1.r2.{form}"]
    parts = list(shift.lines["line-1"].slices())
    for path, part in zip(paths[1:], parts, strict=True):
        (body,) = read_pieces(path=path, source="x", run="y")
        assert not body.parsed.refused
        for name, column in part.batch.measures.items():
            assert np.array_equal(column.values, body.parsed.batch.measures[name].values)
        assert body.parsed.batch.defects == part.batch.defects
        assert np.array_equal(body.parsed.batch.time_ms.values, part.time_ms())


def test_a_changed_standard_is_written_beside_the_records(tmp_path: Path) -> None:
    from service.library import find_standard

    plan = plan_of({"kind": "cut_change", "size": -1.5, "start_min": 1}, hours=0.03)
    paths = write_records(shift=Shift(plan=plan), folder=tmp_path, form="ndjson")
    assert paths[-1].name == "house-long-distance-3-cut-62.toml"
    assert find_standard(str(paths[-1])).edition == "3-cut-62"
    assert whole(Shift(plan=plan_of(hours=0.03)).lines["line-1"]).seq[-1] == len(
        b"".join(p.read_bytes() for p in paths if p.suffix == ".ndjson").splitlines())
