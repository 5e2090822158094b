"""Alarms as a pure machine: readings and a time in, a new state and what changed out.

No clock, no store: whoever calls brings the time, by the wall for what is shown and stored and by
the steady clock for how long something has lasted, so that neither delays nor shelves change when
somebody sets the wall clock. What people do to alarms is in `commands`.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import replace

from service.alarms.definitions import DEFINITIONS, Definition
from service.alarms.model import (
    ALL_RUN,
    LONGEST_SHELF_MS,
    QUIET_MS,
    Alarm,
    Alarms,
    Facts,
    Key,
    Reading,
    State,
    Transition,
    What,
    ended,
    moved_to,
    off_the_shelf,
)


def step(
    state: Alarms, *, readings: Iterable[Reading], now_ms: int, steady_ms: int,
    facts: Facts = ALL_RUN, definitions: Mapping[str, Definition] = DEFINITIONS,
) -> tuple[Alarms, list[Transition]]:
    """The alarms a moment later; each changes at most once. now_ms: Unix ms. steady_ms: the same
    moment by the steady clock.

    A subject without a reading is taken as quiet. Raises KeyError for an unknown kind.
    """
    order = {kind: place for place, kind in enumerate(definitions)}
    given = {(r.kind, r.subject): r for r in readings}
    found: dict[Key, Alarm] = {}
    transitions: list[Transition] = []
    next_id = state.next_id
    for key in sorted(given.keys() | state.by_key.keys(), key=lambda k: (order[k[0]], k[1])):
        definition = definitions[key[0]]
        known = state.by_key.get(key) or Alarm(kind=key[0], subject=key[1], turned_ms=steady_ms)
        alarm = _measured(
            _carried(known, now_ms=now_ms, steady_ms=steady_ms),
            reading=given.get(key), definition=definition, steady_ms=steady_ms)
        covered = any(
            other.id is not None and other.over
            for kind in definition.yields_to if (other := found.get((kind, key[1]))) is not None)
        kept_back = covered or _by_design(alarm, definition=definition, facts=facts)
        after, transition = _moved(
            alarm, definition=definition, kept_back=kept_back, now_ms=now_ms,
            steady_ms=steady_ms, next_id=next_id)
        if transition is not None:
            transitions.append(transition)
            if transition.what == "raised":
                next_id += 1
        if after.id is not None or after.over or _heard(after, steady_ms=steady_ms):
            found[key] = after
    return Alarms(next_id=next_id, by_key=found), transitions


def _carried(alarm: Alarm, *, now_ms: int, steady_ms: int) -> Alarm:
    """The alarm with its last call and the end of its shelf on the steady clock, where they are
    known by the wall only: of a shelf just asked for, and after a restart. A clock that was set
    meanwhile makes no pause longer than a whole one."""
    if alarm.announced_ms is not None and alarm.called_ms is None:
        alarm = replace(alarm, called_ms=steady_ms - max(now_ms - alarm.announced_ms, 0))
    if alarm.shelved_until_ms is not None and alarm.shelf_ends_ms is None:
        alarm = replace(alarm, shelf_ends_ms=steady_ms + min(
            alarm.shelved_until_ms - now_ms, LONGEST_SHELF_MS))
    return alarm


def _measured(
    alarm: Alarm, *, reading: Reading | None, definition: Definition, steady_ms: int
) -> Alarm:
    """The alarm with its newest reading."""
    if reading is None:
        over = False
    else:
        limit = definition.limit if reading.limit is None else reading.limit
        over = reading.value >= limit or (
            alarm.over and reading.value > limit * (1 - definition.deadband))
        alarm = replace(
            alarm, value=reading.value, limit=limit, line=reading.line, lot=reading.lot)
    return alarm if over == alarm.over else replace(alarm, over=over, turned_ms=steady_ms)


def _by_design(alarm: Alarm, *, definition: Definition, facts: Facts) -> bool:
    why = definition.suppressed_while
    return ("stopped" in why and alarm.line in facts.stopped) or (
        "changing" in why and alarm.line in facts.changing)


def _heard(alarm: Alarm, *, steady_ms: int) -> bool:
    """Whether the last call is so recent that another would be one too many."""
    return alarm.called_ms is not None and steady_ms - alarm.called_ms < QUIET_MS


def _moved(
    alarm: Alarm, *, definition: Definition, kept_back: bool, now_ms: int, steady_ms: int,
    next_id: int,
) -> tuple[Alarm, Transition | None]:
    lasted = steady_ms - alarm.turned_ms
    calls = (alarm.over and lasted >= definition.on_delay_s * 1000 and not kept_back
             and not _heard(alarm, steady_ms=steady_ms))
    gone = not alarm.over and lasted >= definition.off_delay_s * 1000
    match alarm.state:
        case "normal":
            if calls:
                return _announce(replace(alarm, id=next_id, raised_ms=now_ms), what="raised",
                                 now_ms=now_ms, steady_ms=steady_ms)
        case "unacknowledged" | "acknowledged":
            if gone:
                return _leave(alarm, now_ms=now_ms)
            if kept_back:
                return moved_to(alarm, state="suppressed", what="suppressed", now_ms=now_ms)
        case "returned":
            if calls:
                return _announce(
                    alarm, what="raised_again", now_ms=now_ms, steady_ms=steady_ms)
        case "suppressed":
            if gone or not (kept_back or alarm.over):
                return _leave(alarm, now_ms=now_ms)
            if not kept_back:
                state: State = "acknowledged" if alarm.acknowledged else "unacknowledged"
                return moved_to(alarm, state=state, what="resumed", now_ms=now_ms)
        case "shelved":
            assert alarm.shelf_ends_ms is not None
            if steady_ms >= alarm.shelf_ends_ms or (alarm.one_shot and gone):
                return _unshelved(alarm, calls=calls, kept_back=kept_back, now_ms=now_ms,
                                  steady_ms=steady_ms)
        case "out_of_service":
            return alarm, None
    if kept_back and alarm.over and alarm.state in ("normal", "returned"):
        # What lasted while it was kept back begins anew.
        return replace(alarm, turned_ms=steady_ms), None
    return alarm, None


def _unshelved(
    alarm: Alarm, *, calls: bool, kept_back: bool, now_ms: int, steady_ms: int
) -> tuple[Alarm, Transition | None]:
    """The shelf's time is over: a person is called again, unless there is nothing to call for."""
    bare = replace(off_the_shelf(alarm), acknowledged=False)
    if calls:
        return _announce(bare, what="raised_again", now_ms=now_ms, steady_ms=steady_ms)
    if alarm.over and kept_back:
        return moved_to(bare, state="suppressed", what="suppressed", now_ms=now_ms)
    if not alarm.over:
        return ended(bare, now_ms=now_ms)
    return alarm, None


def _announce(
    alarm: Alarm, *, what: What, now_ms: int, steady_ms: int
) -> tuple[Alarm, Transition]:
    after = replace(alarm, state="unacknowledged", acknowledged=False, announced_ms=now_ms,
                    called_ms=steady_ms)
    return after, Transition(what=what, at_ms=now_ms, alarm=after, announced=True)


def _leave(alarm: Alarm, *, now_ms: int) -> tuple[Alarm, Transition]:
    """The condition is over: what nobody has seen yet stays until somebody does."""
    if alarm.acknowledged:
        return ended(alarm, now_ms=now_ms)
    return moved_to(alarm, state="returned", what="returned", now_ms=now_ms)
