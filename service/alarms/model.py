"""What an alarm is: its states, what is read, and one change of it.

States and their ideas follow the alarm management standards (ANSI/ISA-18.2, IEC 62682) and the
shelving of OPC UA part 9: an alarm is raised once, is acknowledged by a person, returns by
itself, may be shelved for a while, is kept back by design while the line stands, or is taken out
of service.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Final, Literal

State = Literal["normal", "unacknowledged", "acknowledged", "returned", "shelved", "suppressed",
                "out_of_service"]
What = Literal["raised", "raised_again", "returned", "ended", "acknowledged", "shelved",
               "unshelved", "suppressed", "resumed", "taken_out", "put_back"]
Key = tuple[str, str]
"""Kind and subject."""

QUIET_MS: Final = 60_000
"""No alarm announces itself again sooner."""
LONGEST_SHELF_MS: Final = 8 * 3_600_000
"""One shift."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Reading:
    """What is known now of one subject. value, limit: in the unit of the kind; limit: None for
    the definition's own. The condition holds at `value >= limit`."""

    kind: str
    subject: str
    value: float
    limit: float | None = None
    line: str = ""
    lot: str = ""

    def __post_init__(self) -> None:
        if not math.isfinite(self.value):
            raise ValueError(f"no reading: {self.value}")


@dataclass(frozen=True, slots=True, kw_only=True)
class Facts:
    """stopped: lines that stand. changing: lines on which a lot has just begun."""

    stopped: frozenset[str] = frozenset()
    changing: frozenset[str] = frozenset()


ALL_RUN: Final = Facts()


@dataclass(frozen=True, slots=True, kw_only=True)
class Alarm:
    """One kind of alarm on one subject.

    id: of the alarm that is open, None while it is normal. over: whether the value is past its
    limit, with the deadband; turned_ms: since when. announced_ms: when a person was last called.
    one_shot: the shelf ends when the condition does.

    turned_ms, called_ms and shelf_ends_ms are of the steady clock and are not stored; the last two
    are announced_ms and shelved_until_ms on it, None until the machine has carried them over.
    """

    kind: str
    subject: str
    line: str = ""
    lot: str = ""
    id: int | None = None
    state: State = "normal"
    acknowledged: bool = False
    value: float = 0.0
    limit: float = 0.0
    over: bool = False
    turned_ms: int
    raised_ms: int | None = None
    announced_ms: int | None = None
    called_ms: int | None = None
    shelved_until_ms: int | None = None
    shelf_ends_ms: int | None = None
    one_shot: bool = False

    @property
    def key(self) -> Key:
        return (self.kind, self.subject)


@dataclass(frozen=True, slots=True, kw_only=True)
class Transition:
    """One change of one alarm. announced: a person is called now. person: empty for the service
    itself. alarm: as it is afterwards, still with its id when it has ended."""

    what: What
    at_ms: int
    alarm: Alarm
    announced: bool = False
    person: str = ""
    note: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Alarms:
    """Every alarm that is open or about to be. next_id: of the next one raised."""

    next_id: int = 1
    by_key: Mapping[Key, Alarm] = field(default_factory=dict)

    def open(self) -> list[Alarm]:
        return [alarm for alarm in self.by_key.values() if alarm.id is not None]

    def find(self, alarm_id: int) -> Alarm | None:
        return next((alarm for alarm in self.by_key.values() if alarm.id == alarm_id), None)

    def put(self, alarm: Alarm) -> Alarms:
        return replace(self, by_key={**self.by_key, alarm.key: alarm})


def off_the_shelf(alarm: Alarm) -> Alarm:
    """The alarm without what is said of its shelf."""
    return replace(alarm, shelved_until_ms=None, shelf_ends_ms=None, one_shot=False)


def moved_to(
    alarm: Alarm, *, state: State, what: What, now_ms: int, person: str = "", note: str = ""
) -> tuple[Alarm, Transition]:
    """The alarm in another state."""
    after = replace(alarm, state=state)
    return after, Transition(what=what, at_ms=now_ms, alarm=after, person=person, note=note)


def ended(
    alarm: Alarm, *, now_ms: int, what: What = "ended", person: str = "", note: str = ""
) -> tuple[Alarm, Transition]:
    """Back to normal; the transition keeps the id of the alarm that ends."""
    last = replace(off_the_shelf(alarm), state="normal")
    return replace(last, id=None, acknowledged=False, raised_ms=None), Transition(
        what=what, at_ms=now_ms, alarm=last, person=person, note=note)
