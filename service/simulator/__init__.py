"""A simulator of packing shifts: invented fruit, imperfect sensors, known trouble, and the truth.

In memory, the way to score other work:

    from service.simulator import Shift, load_plan, random_plan

    shift = Shift(plan=random_plan(seed=7))          # or load_plan("lane-offset"), seed=...
    for line in shift.lines.values():                # LineShift; line.id, line.source, len(line)
        for part in line.slices(fruit=1_920):        # Slice; a minute, of one lot, run and rule
            part.batch                               # FruitBatch, as the service has it
            part.rows                                # row in `part` of each fruit of the batch
            part.impossible                          # rows whose record the service must refuse
            part.truth.diameter_mm[part.rows]        # Truth beside it: hue_deg, firmness_n, ...
            part.lot.id, part.bin, part.seconds      # where and when (after the shift's start)
            part.acted                               # uint64, bit k: event k of the plan acted
            compiled = shift.compiled(part)          # grading.kernel.Compiled of the rule in force
            compiled.grade(batch=part.batch)
            shift.compiled(part, as_opened=True)     # ... of the rule the lot was opened with
    shift.events           # tuple[Happening]: kind, cause, line, lanes, size, start_s, end_s, ...
    shift.boundaries       # tuple[Boundary]: where bins, lots and picks begin (changes of fruit)
    shift.pulls            # tuple[Pull]: .hand, .line_read, .seq, .truth (same fruit, two ways)
    shift.checks           # tuple[Check]: .lane, .measure, .known, .reading

`cause` is "fruit", "measurement", "rule", or "none" for trouble that moves no class. All of it is
a function of the plan and the seed, and any stretch can be made alone (`slices(start=, stop=)`).
Two plans that differ in their events only have the same fruit, so a shift without its events
(`plan.model_copy(update={"event": ()})`) shows what each of them did.

`random_plan(seed=, cause=None, hours=3.0)` draws a shift with one change of a random cause, or
none, and with or without the pulls and checks that could tell.

Modules, in the order that data flow through them: `plan`, `events`, `fruit` say what is to happen;
`chance` all random numbers; `schedule`, `effects`, `feed` when and where; `truth` the fruit;
`sensors` the readings; `slices`, `shift` both side by side; `hand` pulls and checks; `rules`
changed cuts; `records`, `files` what is sent and written; `script` in which order, with breaks and
repeats; `sending` and `targets` do it.
"""

from __future__ import annotations

from service.simulator.events import KINDS, Event
from service.simulator.hand import Check, Pull
from service.simulator.plan import Plan, load_plan, read_plan, shipped_plans
from service.simulator.random_plan import random_plan
from service.simulator.shift import LineShift
from service.simulator.slices import Slice
from service.simulator.truth import Truth
from service.simulator.whole import Boundary, Happening, Shift

__all__ = [
    "KINDS", "Boundary", "Check", "Event", "Happening", "LineShift", "Plan", "Pull", "Shift",
    "Slice", "Truth", "load_plan", "random_plan", "read_plan", "shipped_plans",
]
