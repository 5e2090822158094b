"""The whole service against plain dictionaries, through its public API: whatever is sent, closed,
moved, mended, killed or set back, in any order, the store holds what the dictionaries hold and
every count is the recount."""

from __future__ import annotations

import json
import logging
import os
import shutil
import tempfile
from contextlib import ExitStack
from pathlib import Path
from typing import Any

from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import (
    RuleBasedStateMachine,
    initialize,
    invariant,
    precondition,
    rule,
    run_state_machine_as_test,
)
from starlette.testclient import TestClient

from service.app import create_app
from service.clock import Clock
from service.context import Context
from service.settings import Settings
from service.store.chunks import VERDICT_DTYPES
from service.store.group import LINE
from service.store.verify import verify
from tests.api.test_lines import LINE as LINE_1
from tests.api.test_lines import SOURCE
from tests.support.app import LOT, NOON_MS
from tests.support.house_model import FIRST, REFUSED, STANDARDS, Fruit, Key, Model, record

# 200 examples of 50 steps are what is wanted of every change, and 2,000 of 200 of a night: too long
# for both at 40 ms a step. A night's examples are others than those of the night before.
EXAMPLES, STEPS = (200, 200) if os.environ.get("DRUPE_NIGHTLY") else (15, 40)
RECORDS = st.lists(st.tuples(st.integers(0, 12), st.sampled_from([0, 0, 0, 1, REFUSED])),
                   min_size=1, max_size=6)
RUNS = st.sampled_from(["r1", "r2"])
LOTS = st.sampled_from(sorted(STANDARDS))
PERSON = {"person": "M. Orrin", "reason": "checked by hand"}


class Errors(logging.Handler):
    """What goes wrong beside the requests is only logged."""

    def __init__(self) -> None:
        super().__init__(logging.ERROR)
        self.seen: list[str] = []

    def emit(self, record: logging.LogRecord) -> None:
        self.seen.append(self.format(record))


class ServiceModel(RuleBasedStateMachine):
    """`belt-1` is registered on line-1, which tells its lots; `free-1` names its lot."""

    @initialize()
    def begin(self) -> None:
        self.folder = Path(tempfile.mkdtemp(prefix="service-model-"))
        self.errors = Errors()
        logging.getLogger().addHandler(self.errors)
        self.number = 0
        self.now_ms = NOON_MS
        self.model = Model()
        self.open()
        assert self.client.post("/v1/lines", json=LINE_1).status_code == 201
        self.key = self.client.post("/v1/sources", json=SOURCE).json()["key"]
        self.open_a_lot(FIRST)

    # The process.

    @property
    def data(self) -> Path:
        return self.folder / str(self.number)

    @property
    def ctx(self) -> Context:
        found: Context = self.client.app.state.context  # type: ignore[attr-defined]  # ours
        return found

    def open(self) -> None:
        app = create_app(settings=Settings(data_dir=self.data), clock=Clock(lambda: self.now_ms))
        self.stack = ExitStack()
        self.client = self.stack.enter_context(TestClient(app))

    @rule()
    def restart(self) -> None:
        self.stack.close()
        self.open()
        self.forget()

    @rule()
    def kill(self) -> None:
        """What a process leaves that dies now is what its files hold now: a copy of them goes on,
        as after `kill -9`; the log was not moved into the database, nothing was said goodbye."""
        shutil.copytree(self.data, self.folder / str(self.number + 1))
        self.stack.close()
        shutil.rmtree(self.data)
        self.number += 1
        self.open()
        self.forget()

    def forget(self) -> None:
        """Of numbers that came but were not stored, nothing outlives the process."""
        self.model.seen = {}
        for source, run, seq in self.model.fruit:
            if source == "belt-1":
                self.model.seen[run] = max(seq, self.model.seen.get(run, -1))

    @rule(step_s=st.sampled_from([-86_400, -3_600, -1, 1, 60, 3_600, 30 * 86_400]))
    def set_the_clock(self, step_s: int) -> None:
        self.now_ms += 1000 * step_s

    # Records.

    @rule(run=RUNS, lot=LOTS, records=RECORDS, lines=st.booleans())
    def post(self, run: str, lot: str, records: list[tuple[int, int]], lines: bool) -> None:
        if lot not in self.model.closed:
            assert self.sent("free-1", run, records, lines, lot=lot).status_code == 404
            return
        self.told("free-1", run, records, lot,
                  self.sent("free-1", run, records, lines, lot=lot))

    @rule(run=RUNS, records=RECORDS, lines=st.booleans())
    def post_from_the_line(self, run: str, records: list[tuple[int, int]], lines: bool) -> None:
        self.told("belt-1", run, records, None, self.sent("belt-1", run, records, lines))

    @rule(run=RUNS, records=RECORDS)
    def post_with_a_wrong_key(self, run: str, records: list[tuple[int, int]]) -> None:
        answer = self.sent("belt-1", run, records, lines=False, key="x" * 43)
        assert answer.status_code == 401

    def sent(
        self, source: str, run: str, records: list[tuple[int, int]], lines: bool, *,
        lot: str | None = None, key: str | None = None,
    ) -> Any:
        listed = [json.dumps(record(seq, variant)) for seq, variant in records]
        body = "\n".join(listed) if lines else "[" + ",".join(listed) + "]"
        return self.client.post(
            f"/v1/records?source={source}&run={run}" + (f"&lot={lot}" if lot else ""),
            content=body, headers={
                "authorization": f"Bearer {key or self.key}",
                "content-type": "application/x-ndjson" if lines else "application/json"})

    def told(
        self, source: str, run: str, records: list[tuple[int, int]], lot: str | None, answer: Any
    ) -> None:
        """Every record's outcome is the model's, and repeats are told what was told first."""
        model = self.model
        outcomes = answer.json()["outcomes"]
        assert [o["seq"] for o in outcomes] == [seq for seq, _ in records]
        # All numbers of a body are placed before any of them counts as seen.
        places = [lot or model.lot_of(run, seq) for seq, _ in records]
        usable = 0
        for (seq, variant), place, outcome in zip(records, places, outcomes, strict=True):
            key = (source, run, seq)
            if variant == REFUSED:
                assert outcome["outcome"] == "refused"
                continue
            wanted = model.send(key, variant, place)
            assert outcome["outcome"] == wanted, (key, outcome)
            usable += wanted in ("stored", "duplicate")
            if wanted == "stored":
                model.fruit[key].grade = outcome["grade"]
            if wanted == "duplicate":
                assert outcome["grade"] == model.fruit[key].grade
            if wanted in ("stored", "duplicate"):
                told_lot = outcome.get("lot", answer.json()["lot"])
                assert told_lot == model.fruit[key].lot
            if source == "belt-1":
                model.seen[run] = max(seq, model.seen.get(run, -1))
        assert (answer.status_code in (200, 201)) == (usable > 0)
        self.note_refused(source, run, [seq for seq, v in records if v == REFUSED])

    def note_refused(self, source: str, run: str, seqs: list[int]) -> None:
        kept = self.quarantine()
        known = {one[0] for one in self.model.waiting}
        new = [one for one in kept if one["id"] not in known]
        assert [(one["source"], one["run"], one["seq"]) for one in new] == [
            (source, run, seq) for seq in seqs]
        self.model.waiting += [(one["id"], (source, run, one["seq"]), one["lot"]) for one in new]

    def quarantine(self) -> list[dict[str, Any]]:
        found: list[dict[str, Any]] = self.client.get("/v1/quarantine?limit=500").json()["records"]
        return found

    @precondition(lambda self: self.model.waiting)
    @rule(data=st.data(), variant=st.sampled_from([0, 0, 1]))
    def mend(self, data: st.DataObject, variant: int) -> None:
        at = data.draw(st.integers(0, len(self.model.waiting) - 1))
        number, key, lot = self.model.waiting[at]
        answer = self.client.post(f"/v1/quarantine/{number}/repair", json={
            **PERSON, "record": record(key[2], variant)})
        outcome = self.model.send(key, variant, lot)
        if key[0] == "belt-1":
            self.model.seen[key[1]] = max(key[2], self.model.seen.get(key[1], -1))
        if outcome == "stored":
            self.model.fruit[key].grade = answer.json()["answer"]["outcomes"][0]["grade"]
        wanted = {"stored": 200, "duplicate": 200, "conflict": 422, "lot_closed": 409}[outcome]
        assert answer.status_code == wanted, answer.text
        if wanted == 200:
            del self.model.waiting[at]

    @precondition(lambda self: self.model.waiting)
    @rule()
    def dismiss(self) -> None:
        number, _, _ = self.model.waiting.pop(0)
        again = [self.client.post(f"/v1/quarantine/{number}/dismiss", json=PERSON).status_code
                 for _ in range(2)]
        assert again == [200, 409]

    # Lots, the line and pulls.

    @rule(lot=LOTS)
    def open_a_lot(self, lot: str) -> None:
        answer = self.client.post(
            "/v1/lots", json={**LOT, "id": lot, "standard": STANDARDS[lot]})
        assert answer.status_code == (409 if lot in self.model.closed else 201), answer.text
        self.model.closed.setdefault(lot, False)

    @rule(lot=LOTS)
    def close_a_lot(self, lot: str) -> None:
        state = self.model.closed.get(lot)
        answer = self.client.post(f"/v1/lots/{lot}/close")
        assert answer.status_code == {None: 404, True: 409, False: 200}[state]
        if state is False:
            self.model.closed[lot] = True
            if self.model.packing == lot:
                self.model.breaks.append((dict(self.model.seen), None))

    @rule(lot=LOTS)
    def clean_break(self, lot: str) -> None:
        answer = self.client.post("/v1/lines/line-1/lot", json={"lot": lot, "person": "M. Orrin"})
        state = self.model.closed.get(lot)
        wanted = 404 if state is None else 409 if state or self.model.packing == lot else 200
        assert answer.status_code == wanted, answer.text
        if wanted == 200:
            self.model.breaks.append((dict(self.model.seen), lot))

    @rule()
    def end_of_a_lot(self) -> None:
        answer = self.client.post("/v1/lines/line-1/break", json={"person": "M. Orrin"})
        assert answer.status_code == (200 if self.model.packing else 409)
        if self.model.packing:
            self.model.breaks.append((dict(self.model.seen), None))

    @rule(lot=LOTS, name=st.sampled_from(["p1", "p2"]), n=st.integers(1, 2))
    def pull(self, lot: str, name: str, n: int) -> None:
        if lot not in self.model.closed:
            return
        fruit = [{"diameter_mm": 66.2, "ground_hue_deg": 98, "blush_fraction": 0.5}] * n
        answer = self.client.post(f"/v1/lots/{lot}/pulls", json={
            "id": name, "purpose": "line_check", "person": "M. Lindqvist", "tip_mm": 8,
            "drawn_at": "2026-06-01T09:00:00Z", "fruit": fruit})
        known = self.model.pulls.setdefault(name, (lot, n))
        first = known == (lot, n)
        assert answer.status_code in ((200, 201) if first else (422,)), answer.text

    # What holds after every step.

    @invariant()
    def the_store_is_the_model(self) -> None:
        model, reader = self.model, self.ctx.store.reader
        stored: dict[Key, Fruit] = {}
        pulled: dict[str, int] = {}
        for lot in self.ctx.lots.all():
            for chunk in reader.chunks(lot=lot.id):
                batch, verdicts = chunk.decode()
                rules = self.ctx.lots.under(lot=lot, digest=chunk.digest).compiled
                again = rules.grade(batch=batch)
                assert all(getattr(again, name).tobytes() == getattr(verdicts, name).tobytes()
                           for name in VERDICT_DTYPES)
                if chunk.kind != LINE:
                    pulled[lot.id] = pulled.get(lot.id, 0) + chunk.n
                    continue
                for row, seq in enumerate(batch.seq.tolist()):
                    key = (chunk.source, chunk.run, seq)
                    assert key not in stored, "stored twice"
                    variant = round(
                        4 * (batch.measures["diameter"].values[row] / 100 - 58 - seq))
                    stored[key] = Fruit(variant, lot.id, rules.grade_names[verdicts.grade[row]])
        assert stored == model.fruit
        wanted: dict[str, int] = {}
        for lot_id, n in model.pulls.values():
            wanted[lot_id] = wanted.get(lot_id, 0) + n
        assert pulled == wanted

    @invariant()
    def every_count_is_the_recount(self) -> None:
        model = self.model
        for lot, closed in model.closed.items():
            grades = [f.grade for f in model.fruit.values() if f.lot == lot]
            packout = self.client.get(f"/v1/lots/{lot}/packout").json()
            counted = {g["code"]: g["count"] for g in packout["by_grade"] if g["count"]}
            assert counted == {g: grades.count(g) for g in set(grades)}
            assert packout["n"] == len(grades) == sum(c["count"] for c in packout["cells"])
            for axis in ("by_size", "by_maturity", "by_pack"):
                assert sum(g["count"] for g in packout[axis]) == len(grades)
            said = self.client.get(f"/v1/lots/{lot}").json()
            assert said["fruit"] == len(grades)
            assert said["conflicts"] == model.conflicts.get(lot, 0)
            assert said["status"] == ("closed" if closed else "open")
        assert len(self.quarantine()) == len(model.waiting)
        line = self.client.get("/v1/lines/line-1").json()
        assert line["lot"] == model.packing

    def teardown(self) -> None:
        if hasattr(self, "stack"):
            self.stack.close()
            logging.getLogger().removeHandler(self.errors)
            assert self.errors.seen == []
            assert verify(data_dir=self.data).bad is None
            shutil.rmtree(self.folder)


def test_the_service_does_as_the_model() -> None:
    run_state_machine_as_test(ServiceModel, settings=settings(
        max_examples=EXAMPLES, stateful_step_count=STEPS, deadline=None))
