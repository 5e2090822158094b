"""Moved cuts among breaks, repeats, waits and restarts, against a plain replay: every fruit keeps
what was in force when it was first received, and the counts are those of the fruit."""

from __future__ import annotations

import tempfile
from collections import Counter
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from hypothesis import given, settings
from hypothesis import strategies as st
from starlette.testclient import TestClient

from service.store.verify import verify
from tests.api.test_cuts import House, iso
from tests.support.app import open_lot, service
from tests.support.line import register

MINUTE_MS = 60_000
LOTS = ("L-0417", "L-0418", None)
STEPS = st.lists(st.one_of(
    st.tuples(st.just("send"), st.sampled_from(["r1", "r2"]),
              st.lists(st.integers(0, 25), min_size=1, max_size=6, unique=True)),
    st.tuples(st.just("cut"), st.sampled_from(["60", "62", "66.5"]), st.integers(1, 5)),
    st.tuples(st.just("revert"), st.none(), st.none()),
    st.tuples(st.just("turn"), st.sampled_from(LOTS), st.none()),
    st.tuples(st.just("wait"), st.integers(1, 4), st.none()),
    st.tuples(st.just("restart"), st.none(), st.none()),
), min_size=4, max_size=16)


def diameter_mm(run: str, seq: int) -> float:
    """The same for every time a fruit is sent; either side of all the cuts."""
    return 58.25 + (seq * 7 + (run == "r2") * 3) % 13


@dataclass
class Model:
    """What was said and sent, one thing at a time. fruit: by key its lot and size when it first
    came."""

    lot: str | None = "L-0417"
    breaks: list[tuple[dict[str, int], str | None]] = field(
        default_factory=lambda: [({}, "L-0417")])
    seen: dict[str, int] = field(default_factory=dict)
    cut: tuple[str, float, int] | None = None  # lot, moved to, until
    fruit: dict[tuple[str, int], tuple[str, str]] = field(default_factory=dict)

    def send(self, *, run: str, seq: int, now_ms: int) -> None:
        if (run, seq) not in self.fruit:
            lot = "line-1-holding"
            for marks, named in self.breaks:
                if seq > marks.get(run, -1):
                    lot = named or "line-1-holding"
            cut = 63.5
            if self.cut is not None and self.cut[0] == lot and now_ms < self.cut[2]:
                cut = self.cut[1]
            size = "S" if diameter_mm(run, seq) < cut else (
                "M" if diameter_mm(run, seq) < 69.85 else "L")
            self.fruit[run, seq] = (lot, size)

    def turn(self, lot: str | None) -> None:
        self.lot, self.cut = lot, None
        self.breaks.append((dict(self.seen), lot))


@contextmanager
def _played(folder: Path) -> Iterator[tuple[House, Any]]:
    """A house, and what restarts it."""
    house = House()
    with ExitStack() as stack:
        current: list[Any] = []

        def start() -> None:
            if current:
                current.pop().__exit__(None, None, None)
            opened = service(folder, now_ms=lambda: house.now_ms)
            house.client = opened.__enter__()
            current.append(opened)

        start()
        stack.callback(lambda: current.pop().__exit__(None, None, None))
        house.headers = register(house.post)
        client: TestClient = house.client
        open_lot(client, id="L-0418")
        yield house, start


def _step(house: House, model: Model, step: tuple[str, Any, Any], restart: Any) -> None:
    kind, what, more = step
    if kind == "send":
        sent = house.client.post(f"/v1/records?source=belt-line-1&run={what}", json=[
            {"seq": seq, "lane": 1, "diameter_mm": diameter_mm(what, seq)} for seq in more],
            headers=house.headers).json()["outcomes"]
        for seq, outcome in zip(more, sent, strict=True):
            repeated = (what, seq) in model.fruit
            model.send(run=what, seq=seq, now_ms=house.now_ms)
            assert outcome["outcome"] == ("duplicate" if repeated else "stored")
            assert outcome["size"] == model.fruit[what, seq][1]
        model.seen[what] = max(model.seen.get(what, -1), *more)
    elif kind == "cut":
        free = model.cut is None or house.now_ms >= model.cut[2]
        until_ms = house.now_ms + more * MINUTE_MS
        house.post("/v1/lines/line-1/cuts", {
            "person": "M. Orrin", "reason": "x", "until": iso(until_ms),
            "moves": [{"at": "63.5", "to": what}]}, 201 if free and model.lot else 409)
        if free and model.lot:
            model.cut = (model.lot, float(what), until_ms)
    elif kind == "revert":
        found = house.get("/v1/lines/line-1/cuts")["in_force"]
        assert (found is not None) == (model.cut is not None and house.now_ms < model.cut[2])
        if found is not None:
            house.post(f"/v1/lines/line-1/cuts/{found['id']}/revert")
            model.cut = None
    elif kind == "turn" and what != model.lot:
        path = "break" if what is None else "lot"
        house.post(f"/v1/lines/line-1/{path}", {"person": "M. Orrin"} | (
            {} if what is None else {"lot": what}))
        model.turn(what)
    elif kind == "wait":
        house.now_ms += what * MINUTE_MS
    elif kind == "restart":
        restart()


def _agree(house: House, model: Model) -> None:
    sizes: dict[str, Counter[str]] = {}
    for (run, seq), (lot, size) in model.fruit.items():
        sizes.setdefault(lot, Counter())[size] += 1
        found = house.get(f"/v1/fruit/belt-line-1/{run}/{seq}")
        assert (found["lot"]["id"], found["fruit"]["size"]) == (lot, size)
        assert f"is size {size} (" in found["why"][0]
    for lot in ("line-1-holding", "L-0417", "L-0418"):
        packed = house.get(f"/v1/lots/{lot}/packout")["by_size"]
        counted = {s["code"]: s["count"] for s in packed if s["count"]}
        assert counted == dict(sizes.get(lot, {}))


@settings(max_examples=25)
@given(steps=STEPS)
def test_every_fruit_keeps_what_was_in_force_when_it_first_came(
    steps: list[tuple[str, Any, Any]],
) -> None:
    with tempfile.TemporaryDirectory() as folder:
        model = Model()
        with _played(Path(folder)) as (house, restart):
            for step in steps:
                _step(house, model, step, restart)
            _agree(house, model)  # counts as they grew
            restart()
            _agree(house, model)  # counts made anew from what is stored
        assert verify(data_dir=Path(folder)).ok
