"""Invented definitions, and a machine that is driven second by second."""

from __future__ import annotations

from typing import Any

from service.alarms.definitions import Definition
from service.alarms.engine import step
from service.alarms.model import ALL_RUN, Alarm, Alarms, Facts, Reading, Transition

TEXT = {"title": "t", "cause": "c", "consequence": "k", "response": "r"}


def definition(kind: str, **changes: Any) -> Definition:
    """On-delay 10 s, off-delay 20 s, limit 10 with a deadband of a fifth."""
    return Definition.model_validate({
        "kind": kind, "priority": "caution", "unit": "count", "limit": 10, "deadband": 0.2,
        "on_delay_s": 10, "off_delay_s": 20, "respond_within_s": 60, "en": TEXT, "es": TEXT,
        **changes})


KINDS = {
    "worse": definition("worse", priority="urgent", on_delay_s=0, off_delay_s=0),
    "plain": definition("plain", suppressed_while=["stopped"]),
    "milder": definition("milder", yields_to=["worse"]),
}


class Driven:
    """Alarms of KINDS on subject "s" of line-1; `now_s` is the time, from 1000 s on, and set_s by
    how much the wall clock was set besides."""

    def __init__(self) -> None:
        self.state = Alarms()
        self.now_s = 1000
        self.set_s = 0
        self.log: list[Transition] = []

    def run(self, seconds: int, *, facts: Facts = ALL_RUN, **values: float) -> list[str]:
        """Hold the values for so many steps of a second; what happened, as kind:what@second."""
        found = []
        for _ in range(seconds):
            readings = [Reading(kind=kind, subject="s", value=value, line="line-1")
                        for kind, value in values.items()]
            self.state, transitions = step(self.state, readings=readings, facts=facts,
                                           now_ms=(self.now_s + self.set_s) * 1000,
                                           steady_ms=self.now_s * 1000, definitions=KINDS)
            self.log.extend(transitions)
            found.extend(f"{t.alarm.kind}:{t.what}@{self.now_s}" for t in transitions)
            self.now_s += 1
        return found

    def alarm(self, kind: str = "plain") -> Alarm:
        return self.state.by_key[kind, "s"]

    def do(self, command: Any, kind: str = "plain", **values: Any) -> Transition:
        after, transition = command(self.alarm(kind), now_ms=(self.now_s + self.set_s) * 1000,
                                    **values)
        self.state = self.state.put(after)
        self.log.append(transition)
        found: Transition = transition
        return found
