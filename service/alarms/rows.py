"""Alarms to their rows in the store and back."""

from __future__ import annotations

from typing import cast

from service.alarms.model import Alarm, State, Transition
from service.store.alarms import AlarmRow, EventRow


def row_of(transition: Transition) -> AlarmRow:
    """The alarm as the transition leaves it."""
    alarm = transition.alarm
    assert alarm.id is not None and alarm.raised_ms is not None and alarm.announced_ms is not None
    return AlarmRow(
        id=alarm.id, subject=alarm.subject, kind=alarm.kind, line=alarm.line, lot=alarm.lot,
        raised_ms=alarm.raised_ms, announced_ms=alarm.announced_ms, state=alarm.state,
        acknowledged=int(alarm.acknowledged), value=alarm.value, above=alarm.limit,
        shelved_until_ms=alarm.shelved_until_ms, one_shot=int(alarm.one_shot),
        ended_ms=transition.at_ms if alarm.state == "normal" else None)


def event_of(transition: Transition) -> EventRow:
    alarm = transition.alarm
    assert alarm.id is not None
    return EventRow(
        alarm=alarm.id, at_ms=transition.at_ms, what=transition.what, state=alarm.state,
        value=alarm.value, person=transition.person, note=transition.note)


def alarm_of(row: AlarmRow, *, steady_ms: int = 0) -> Alarm:
    """An open alarm as it was stored. What its condition did meanwhile is not known: where it was
    active it counts as lasting until readings say otherwise, and all delays begin anew at steady_ms
    (of the steady clock)."""
    return Alarm(
        kind=row.kind, subject=row.subject, line=row.line, lot=row.lot,
        id=None if row.ended_ms is not None else row.id, state=cast(State, row.state),
        acknowledged=bool(row.acknowledged), value=row.value, limit=row.above,
        over=row.state in ("unacknowledged", "acknowledged"), turned_ms=steady_ms,
        raised_ms=row.raised_ms,
        announced_ms=row.announced_ms, shelved_until_ms=row.shelved_until_ms,
        one_shot=bool(row.one_shot))
