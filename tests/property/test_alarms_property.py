"""The alarm machine under anything that can happen to it, second by second."""

from __future__ import annotations

import os
from contextlib import suppress
from typing import Any

from hypothesis import given, settings
from hypothesis import strategies as st

from service.alarms import commands
from service.alarms.engine import QUIET_MS
from service.alarms.model import Facts
from service.alarms.rows import alarm_of, row_of
from tests.support.alarms import KINDS, Driven

EXAMPLES = 2000 if os.environ.get("DRUPE_NIGHTLY") else 60
VALUES = st.sampled_from([0.0, 7.9, 8.5, 9.9, 10.0, 15.0])
COMMANDS: dict[str, dict[str, Any]] = {
    "acknowledge": {}, "shelve": {"note": "r", "until": 60, "one_shot": False},
    "shelve_once": {"note": "r", "until": 400, "one_shot": True}, "unshelve": {},
    "take_out": {"note": "r"}, "put_back": {}, "restart": {},
}
MOVES = st.lists(st.tuples(
    st.integers(1, 90), VALUES, VALUES, st.booleans(),
    st.sampled_from(["", "", *COMMANDS])), min_size=1, max_size=25)


def _do(driven: Driven, name: str) -> None:
    if ("plain", "s") not in driven.state.by_key or driven.alarm().id is None:
        return
    if name == "restart":
        last = next(t for t in reversed(driven.log) if t.alarm.key == ("plain", "s"))
        back = alarm_of(row_of(last), steady_ms=driven.now_s * 1000)
        assert (back.id, back.state, back.acknowledged) == (
            driven.alarm().id, driven.alarm().state, driven.alarm().acknowledged)
        driven.state = driven.state.put(back)
        return
    values = dict(COMMANDS[name], person="M. Orrin")
    if "until" in values:
        values["until_ms"] = (driven.now_s + values.pop("until")) * 1000
    with suppress(commands.NotNow):
        driven.do(getattr(commands, name.removesuffix("_once")), **values)


@settings(max_examples=EXAMPLES, deadline=None)
@given(moves=MOVES)
def test_what_always_holds(moves: list[tuple[int, float, float, bool, str]]) -> None:
    """A call comes only of a condition that has lasted its on-delay, never within a minute of
    the last, never off a shelf that still holds or out of service; each event changes the state
    or is a person's; an alarm that is not acknowledged does not vanish."""
    driven = Driven()
    over_s: dict[str, int] = {}
    called: dict[str, int] = {}
    for seconds, plain, worse, stopped, command in moves:
        for _ in range(seconds):
            values = {"plain": plain, "worse": worse, "milder": worse}
            before = dict(driven.state.by_key)
            events = len(driven.log)
            driven.run(1, facts=Facts(stopped=frozenset({"line-1"} if stopped else ())), **values)
            new = driven.log[events:]
            assert len({t.alarm.key for t in new}) == len(new)
            for kind, value in values.items():
                # The deadband: 8.5 goes on counting as over, but never begins to.
                over = value >= 10 or (value > 8 and over_s.get(kind, 0) > 0)
                over_s[kind] = over_s.get(kind, 0) + 1 if over else 0
            for transition in new:
                alarm, was = transition.alarm, before.get(transition.alarm.key)
                state = was.state if was is not None else "normal"
                assert alarm.state != state
                assert state != "out_of_service"
                if transition.announced:
                    assert alarm.state == "unacknowledged"
                    assert over_s[alarm.kind] > KINDS[alarm.kind].on_delay_s
                    assert transition.at_ms - called.get(alarm.kind, -QUIET_MS) >= QUIET_MS
                    assert not (stopped and alarm.kind == "plain")
                    if state == "shelved":
                        assert was is not None and transition.at_ms >= (was.shelved_until_ms or 0)
                    called[alarm.kind] = transition.at_ms
                if alarm.state == "normal" and state != "shelved":
                    assert was is not None and was.acknowledged
        if command:
            _do(driven, command)
            found = driven.state.by_key.get(("plain", "s"))
            if command == "restart" and found is not None and found.id is not None:
                over_s["plain"] = int(found.over)  # how long it has lasted is not known any more
    ids = [t.alarm.id for t in driven.log if t.what == "raised"]
    assert ids == list(range(1, len(ids) + 1))
