"""Alarms of a noisy shift: how many an operator is called for in each hour."""

from __future__ import annotations

from collections import Counter
from functools import partial
from typing import Final

from service.alarms.commands import acknowledge
from service.alarms.runner import UnknownAlarm
from service.score.house import House
from service.score.play import play
from service.simulator import Shift, load_plan

EVERY_S: Final = 10.0
"""How often conditions are read on the simulated clock; the service itself does it every second."""
PERSON: Final = "Line lead"


def announced(*, seed: int, hours: float | None = None) -> tuple[int, ...]:
    """Alarms announced in each hour of the plan `noisy-day`, to one operator of both lines, who
    acknowledges each."""
    plan = load_plan("noisy-day")
    if hours is not None:
        plan = plan.model_copy(update={"hours": hours})
    shift = Shift(plan=plan, seed=seed)
    told: set[tuple[int, int]] = set()
    hour_of: Counter[int] = Counter()

    async def tick(house: House) -> None:
        runner = house.ctx.alarms
        await runner.tick()
        for alarm in runner.open():
            at = alarm.announced_ms
            if alarm.id is None or at is None or (alarm.id, at) in told:
                continue
            told.add((alarm.id, at))
            hour_of[(at - shift.start_ms) // 3_600_000] += 1
            if alarm.state == "unacknowledged":
                try:
                    await runner.command(alarm_id=alarm.id, do=partial(
                        acknowledge, now_ms=house.now_ms, person=PERSON))
                except UnknownAlarm:
                    continue

    play(shift, body_fruit=320, every_s=EVERY_S, each=tick)
    return tuple(hour_of[h] for h in range(int(plan.hours + 0.999)))
