"""Which lot a fruit goes to, against a plain replay of what was said and sent, one at a time."""

from __future__ import annotations

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from grading.record import Column
from service.clock import Clock
from service.lines import AHEAD_MS, Arrivals, Line
from service.store.sources import AssignmentRow, LineRow

NOW_MS = 1_784_030_400_000
STEPS = st.lists(st.one_of(
    st.tuples(st.just("send"), st.sampled_from(["r1", "r2"]), st.integers(0, 30)),
    st.tuples(st.just("turn"), st.sampled_from(["A", "B", None]), st.just(0))), max_size=40)


@given(steps=STEPS)
def test_a_fruit_always_goes_to_the_lot_it_first_went_to(steps: list[tuple[str, str, int]]) -> None:
    """The model: fruit up to the highest seen before a break belong before it, in every run."""
    line, arrivals = (
        Line(LineRow(id="l", holding="H", registered_ms=0)), Arrivals(clock=Clock()))
    breaks: list[tuple[dict[str, int], str | None]] = []
    seen: dict[str, int] = {}
    for kind, what, seq in steps:
        if kind == "turn":
            breaks.append((dict(seen), what))
            line.add(AssignmentRow(line="l", lot=what, at_ms=NOW_MS,
                                   marks={"s": arrivals.of("s")}))
            continue
        lot = "H"
        for marks, named in breaks:
            if seq > marks.get(what, -1):
                lot = "H" if named is None else named
        one = line.turn_of_one(source="s", run=what, seq=seq, time_ms=None, now_ms=NOW_MS)
        many = line.turn_of(source="s", run=what, seqs=np.array([seq]), times=None, now_ms=NOW_MS)
        assert line.lot_at(one) == line.lot_at(int(many[0])) == lot
        arrivals.saw(source="s", run=what, seq=seq)
        seen[what] = max(seen.get(what, -1), seq)


@given(at=st.lists(st.integers(0, 50), min_size=1, max_size=6).map(sorted),
       times=st.lists(st.one_of(st.none(), st.integers(-5, 60)), min_size=1, max_size=8))
def test_with_a_trusted_clock_fruit_go_by_their_own_time(
    at: list[int], times: list[int | None]
) -> None:
    line = Line(LineRow(id="l", holding="H", registered_ms=0))
    for i, second in enumerate(at):
        line.add(AssignmentRow(line="l", lot=f"L{i}", at_ms=NOW_MS + second * 1000))
    now_ms = NOW_MS + 50_000
    column = Column(np.array([NOW_MS + (t or 0) * 1000 for t in times]),
                    np.array([t is not None for t in times]))
    found = line.turn_of(source="s", run="r", seqs=np.arange(len(times)), times=column,
                         now_ms=now_ms)
    for k, t in enumerate(times):
        believed = t is not None and NOW_MS + t * 1000 <= now_ms + AHEAD_MS
        expected = (sum(second <= (t or 0) for second in at) if believed else len(at)) - 1
        assert found[k] == expected
        assert line.turn_of_one(source="s", run="r", seq=k, now_ms=now_ms, time_ms=None if t is None
                                else NOW_MS + t * 1000) == expected


def test_only_the_latest_runs_of_a_source_are_remembered() -> None:
    arrivals = Arrivals(clock=Clock(), heights={"s": {f"r{i}": i for i in range(20)}})
    assert arrivals.highest(source="s", run="r19") == 19
    assert arrivals.highest(source="s", run="r0") is None
    assert len(arrivals.of("s")) == 16
