"""The three-way answer: did the rule, the measurement or the fruit change between two windows?

Asked in that order, because a rule is known exactly, a measurement can be checked, and the fruit
are what is left.

Decision rules (risk 1 % in all for each step, shared by Bonferroni over measures, and over lanes
where lanes are compared; t in place of normal quantiles where few fruit stand behind a mean):

1. Rule. The digests differ, and regrading B's fruit under A's rule changes the outcome of at least
   `material_share` of them. Same fruit, same readings: no sampling error, so no false verdict.
   Digests that differ without a regrade leave the question open.
2. Measurement. Any of: a lane moved against the others by more than its allowance at risk/lanes/
   measures, unless the lane's own check is steady and contradicts it (then its feed is to blame:
   other fruit, listed under fruit); the common error c from outside sources (`separate`) is off 0
   at risk/measures and at least the margin; a sensor state in B that A did not have.
3. Fruit. What is left of the line's shift, f = D - c, is off 0 at risk/measures, ordinary
   differences between windows allowed for, and at least the margin. A start at a lot, bin, pick
   or grower boundary is stated with the chance of meeting one anyway; it supports, never decides.

The line moved, but neither c nor f is shown: "not separable", whatever else was found, and the
answer says what would tell. So is a share that moved while nothing measured did, and a window
without line fruit where nothing else shows a cause. Otherwise the
causes found: one, "several", or "no change". With one true cause and normal errors a wrong cause
is named with a chance of at most 1 % a step; too little evidence gives "not separable", never a
guess.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final, Literal

from grading.drift.evidence import ChangeFacts, Consequence, MeasureFacts, Share
from grading.drift.pairs import pairs_needed
from grading.drift.separate import Split, separate
from grading.drift.student import normal_quantile
from grading.drift.words import (
    Evidence,
    boundary_lines,
    consequence_text,
    fruit_lines,
    measurement_lines,
    next_action,
    onset_text,
    rule_line,
)

Cause = Literal["rule", "measurement", "fruit"]
Verdict = Literal["rule", "fruit", "measurement", "several", "not separable", "no change"]
RISK: Final = 0.01
_ORDER: Final = {"rule": 0, "measurement": 1, "fruit": 2}
PULL: Final = 30
"""Paired fruit asked for at least: standard error 0.18 mm when single differences scatter 1 mm."""


@dataclass(frozen=True, slots=True)
class Answer:
    """verdict; causes shown, in the order of asking; evidence in the same order, each with `had`
    False where it was not there; open: what could not be attributed; onset, consequence and next
    action in words; splits: the numbers by measure; pairs: paired fruit to post, 0 for none."""

    verdict: Verdict
    causes: tuple[Cause, ...]
    evidence: tuple[Evidence, ...]
    open: tuple[str, ...]
    onset: str
    consequence: str
    next_action: str
    splits: dict[str, Split]
    pairs: int
    risk: float

    @property
    def had(self) -> tuple[Evidence, ...]:
        return tuple(e for e in self.evidence if e.had)

    @property
    def had_not(self) -> tuple[Evidence, ...]:
        return tuple(e for e in self.evidence if not e.had)

    def text(self) -> str:
        """All of it in sentences, the verdict first."""
        parts = [f"Verdict: {self.verdict}.", *(e.text for e in self.evidence), self.onset,
                 self.consequence, self.next_action]
        return " ".join(p for p in parts if p)


def share_moved(
    *, a: Share, b: Share, ordinary_sd: float, material: float, risk: float = RISK
) -> bool:
    """Did a share change by more than sampling and ordinary running explain, and materially?"""
    if not a.n or not b.n:
        return False
    pooled = (a.x + b.x) / (a.n + b.n)
    se = math.sqrt(pooled * (1.0 - pooled) * (1.0 / a.n + 1.0 / b.n) + ordinary_sd**2)
    gap = abs(b.value - a.value)
    return gap > normal_quantile(level=1.0 - risk) * se and gap >= material


def _rule_changed(facts: ChangeFacts) -> bool | None:
    """None: the rules differ and nobody regraded."""
    if facts.rule.a == facts.rule.b:
        return False
    if facts.rule.regraded is None:
        return None
    done = facts.rule.regraded
    return done.n > 0 and done.changed / done.n >= facts.material_share


def _states(facts: MeasureFacts) -> bool:
    return bool(set(facts.b.flags) - set(facts.a.flags))


def _sensor_moved(facts: MeasureFacts, split: Split) -> bool:
    lanes = any(m.reading != "feed" for m in split.lanes)
    return lanes or _states(facts) or (split.common is not None and split.common.moved)


def _fruit_moved(split: Split) -> bool:
    feed = any(m.reading == "feed" for m in split.lanes)
    return feed or (split.fruit is not None and split.fruit.moved)


def _pairs(facts: ChangeFacts, splits: dict[str, Split], level: float) -> int:
    """Paired fruit that would tell half of each open shift, with 95 % power."""
    wanted = [PULL]
    for m in facts.measures:
        line = splits[m.measure].line
        if splits[m.measure].unexplained and line is not None:
            wanted.append(pairs_needed(bias=max(m.margin, abs(line.value) / 2.0),
                                       sd=m.paired_sd, power=0.95, level=level))
    return max(wanted)


def explain_change(*, facts: ChangeFacts, risk: float = RISK) -> Answer:
    """What changed from window A to window B, why, what it did and what to do next."""
    count = max(len(facts.measures), 1)
    splits = {m.measure: separate(facts=m, risk=risk, measures=count) for m in facts.measures}
    rule = _rule_changed(facts)
    sensor = any(_sensor_moved(m, splits[m.measure]) for m in facts.measures)
    fruit = any(_fruit_moved(s) for s in splits.values())
    found: list[tuple[Cause, bool]] = [
        ("rule", rule is True), ("measurement", sensor), ("fruit", fruit)]
    causes = tuple(cause for cause, yes in found if yes)
    open_ = [f"{m.measure} of the whole line: fruit or common sensor error"
             for m in facts.measures if splits[m.measure].unexplained]
    if rule is None:
        open_.append("rule: differs, and the fruit were not regraded under the old one")
    elif not sensor and not fruit and not open_ and _rest_moved(facts):
        open_.append(f"{facts.outcome}: moved, and no rule and nothing measured did")
    pairs = _pairs(facts, splits, 1.0 - risk / count) if open_ else 0
    empty = [] if causes or open_ else [
        f"no line fruit in the {name} window"
        for name, share in (("earlier", facts.outcome_a), ("later", facts.outcome_b))
        if share is not None and not share.n]
    open_ += empty
    verdict: Verdict = "not separable" if open_ else (
        "no change" if not causes else causes[0] if len(causes) == 1 else "several")
    evidence = [rule_line(facts=facts)]
    for m in facts.measures:
        evidence += measurement_lines(facts=m, split=splits[m.measure])
    for m in facts.measures:
        evidence += fruit_lines(facts=m, split=splits[m.measure])
    evidence += boundary_lines(facts=facts)
    evidence.sort(key=lambda e: _ORDER[e.step])  # a lane's feed is named beside the lanes
    done: Consequence | None = facts.consequence
    return Answer(
        verdict, causes, tuple(evidence), tuple(open_), onset_text(facts=facts),
        "" if done is None else consequence_text(done=done),
        next_action(verdict=verdict, causes=causes, facts=facts, splits=splits, pairs=pairs,
                    regrade=rule is None, empty=bool(empty)),
        splits, pairs, risk)


def _rest_moved(facts: ChangeFacts) -> bool:
    """Did the outcome move by more than the rule explains?"""
    done = facts.rule.regraded if facts.rule.a != facts.rule.b else None
    b = facts.outcome_b if done is None else done.outcome
    if facts.outcome_a is None or b is None:
        return False
    return share_moved(a=facts.outcome_a, b=b, ordinary_sd=facts.ordinary_share_sd,
                       material=facts.material_share)
