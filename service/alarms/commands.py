"""What people do to alarms; each with the person's name and reason."""

from __future__ import annotations

from dataclasses import replace
from typing import Final

from service.alarms.model import (
    LONGEST_SHELF_MS,
    QUIET_MS,
    Alarm,
    Transition,
    What,
    ended,
    moved_to,
    off_the_shelf,
)

SHELF_MIN_MS: Final = QUIET_MS


class NotNow(Exception):
    """A person asks for what the state of the alarm does not allow."""


def acknowledge(
    alarm: Alarm, *, now_ms: int, person: str, note: str = ""
) -> tuple[Alarm, Transition]:
    """A person has seen it. Raises NotNow."""
    seen = replace(alarm, acknowledged=True)
    if alarm.state == "returned":
        return ended(seen, now_ms=now_ms, what="acknowledged", person=person, note=note)
    if alarm.state == "suppressed" and not alarm.acknowledged:
        return moved_to(seen, state="suppressed", what="acknowledged", now_ms=now_ms, person=person,
                   note=note)
    if alarm.state != "unacknowledged":
        raise NotNow("there is nothing to acknowledge")
    return moved_to(seen, state="acknowledged", what="acknowledged", now_ms=now_ms, person=person,
               note=note)


def shelve(
    alarm: Alarm, *, now_ms: int, until_ms: int, one_shot: bool, person: str, note: str
) -> tuple[Alarm, Transition]:
    """Out of sight until then, or with one_shot until its condition ends, if that is sooner.

    until_ms: SHELF_MIN_MS to LONGEST_SHELF_MS from now; ValueError. Raises NotNow.
    """
    if not SHELF_MIN_MS <= until_ms - now_ms <= LONGEST_SHELF_MS:
        raise ValueError("a shelf holds for a minute to one shift")
    if alarm.state in ("shelved", "out_of_service"):
        raise NotNow(f"it is {alarm.state.replace('_', ' ')} already")
    if alarm.state == "returned":
        raise NotNow("its condition is over; acknowledge it")
    return moved_to(replace(alarm, shelved_until_ms=until_ms, one_shot=one_shot), state="shelved",
               what="shelved", now_ms=now_ms, person=person, note=note)


def unshelve(alarm: Alarm, *, now_ms: int, person: str, note: str = "") -> tuple[Alarm, Transition]:
    """Back in sight, to be acknowledged if its condition holds. Raises NotNow."""
    if alarm.state != "shelved":
        raise NotNow("it is not shelved")
    return _brought_back(alarm, what="unshelved", now_ms=now_ms, person=person, note=note)


def take_out(alarm: Alarm, *, now_ms: int, person: str, note: str) -> tuple[Alarm, Transition]:
    """Out of service, as for repair, until a person puts it back. Raises NotNow."""
    if alarm.state == "out_of_service":
        raise NotNow("it is out of service already")
    return moved_to(off_the_shelf(alarm), state="out_of_service", what="taken_out", now_ms=now_ms,
               person=person, note=note)


def put_back(alarm: Alarm, *, now_ms: int, person: str, note: str = "") -> tuple[Alarm, Transition]:
    """Back in service, to be acknowledged if its condition holds. Raises NotNow."""
    if alarm.state != "out_of_service":
        raise NotNow("it is in service")
    return _brought_back(alarm, what="put_back", now_ms=now_ms, person=person, note=note)


def _brought_back(
    alarm: Alarm, *, what: What, now_ms: int, person: str, note: str
) -> tuple[Alarm, Transition]:
    """The person who does it looks at it, so nobody is called."""
    bare = replace(off_the_shelf(alarm), acknowledged=False)
    if alarm.over:
        return moved_to(bare, state="unacknowledged", what=what, now_ms=now_ms, person=person,
                   note=note)
    return ended(bare, now_ms=now_ms, what=what, person=person, note=note)
