"""The sentences of the three-way answer, and its list of evidence had and not had."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal

from grading.drift.evidence import ChangeFacts, Consequence, MeasureFacts
from grading.drift.onset import meets
from grading.drift.separate import LaneMoved, Part, Split

Step = Literal["rule", "measurement", "fruit"]
Source = Literal["rule", "lanes", "checks", "paired", "hand", "common", "states", "level",
                 "boundary"]


@dataclass(frozen=True, slots=True)
class Evidence:
    """One piece: had it, did it move, how much (with interval, in `unit`), which lanes; text says
    the same. measure is "" for what belongs to no single one."""

    step: Step
    source: Source
    measure: str
    had: bool
    moved: bool
    text: str
    size: float | None = None
    low: float | None = None
    high: float | None = None
    unit: str = ""
    lanes: tuple[int, ...] = ()


_NAMES: Final = {"girth": "Diameter at like weight"}


def _of(
    step: Step, source: Source, m: MeasureFacts, part: Part, says: str, *,
    moved: bool | None = None, lanes: tuple[int, ...] = (),
) -> Evidence:
    text = (f"{_named(m)}, {says}: {part.value:+.2f} {m.unit} "
            f"({part.low:+.2f} to {part.high:+.2f}).")
    return Evidence(step, source, m.measure, True, part.moved if moved is None else moved, text,
                    part.value, part.low, part.high, m.unit, lanes)


def _none(step: Step, source: Source, m: MeasureFacts, says: str) -> Evidence:
    return Evidence(step, source, m.measure, False, False,
                    f"{_named(m)}: {says}.", unit=m.unit)


def _named(m: MeasureFacts) -> str:
    return _NAMES.get(m.measure, m.measure.capitalize())


def percent(share: float) -> str:
    return f"{100 * share:.1f} %"


def rule_line(*, facts: ChangeFacts) -> Evidence:
    """Step 1 in a sentence; rules without a name were not asked for."""
    if not facts.rule.a and not facts.rule.b:
        return Evidence("rule", "rule", "", True, False,
                        "The rule has no part in this: readings are compared, not grades.")
    if facts.rule.a == facts.rule.b:
        return Evidence("rule", "rule", "", True, False, "The rule is the same in both windows.")
    what = f" ({facts.rule.change})" if facts.rule.change else ""
    done = facts.rule.regraded
    if done is None:
        return Evidence("rule", "rule", "", False, False,
                        f"The rule changed{what}; the fruit were not regraded under the old one.")
    share = done.changed / done.n if done.n else 0.0
    text = (f"The rule changed{what}: under the old one {done.changed:,} of {done.n:,} fruit "
            f"({percent(share)}) would be in another class")
    if facts.outcome_a is not None and facts.outcome_b is not None:
        text += (f"; {facts.outcome} {percent(facts.outcome_a.value)} before, "
                 f"{percent(facts.outcome_b.value)} now, {percent(done.outcome.value)} now under "
                 "the old rule")
    return Evidence("rule", "rule", "", True, share >= facts.material_share, text + ".", share,
                    share, share, "share")


def _lane_says(lane: LaneMoved) -> str:
    return {
        "sensor": f"lane {lane.lane} against the other lanes, its own check off too",
        "feed": f"lane {lane.lane} against the other lanes, its own check steady (its feed)",
        "not checked": f"lane {lane.lane} against the other lanes, not confirmed by a check",
    }[lane.reading]


def measurement_lines(*, facts: MeasureFacts, split: Split) -> list[Evidence]:
    """Step 2: lanes, checks, paired fruit, hand levels, sensor states."""
    m, found = facts, []
    for lane in split.lanes:
        found.append(_of("fruit" if lane.reading == "feed" else "measurement", "lanes", m,
                         lane.effect, _lane_says(lane), lanes=(lane.lane,)))
    if split.diverge:
        names = ", ".join(str(lane.lane) for lane in split.lanes)
        found.append(Evidence(
            "measurement", "lanes", m.measure, True, True,
            f"{_named(m)}: the lanes diverge; whether lanes {names} or the others are "
            "off, the lanes alone cannot tell.", lanes=tuple(lane.lane for lane in split.lanes)))
    if split.compared < 2:
        found.append(_none("measurement", "lanes", m, "no lanes to compare with each other"))
    elif not split.lanes:
        found.append(Evidence("measurement", "lanes", m.measure, True, False,
                              f"{_named(m)}: all {split.compared} lanes keep together.",
                              unit=m.unit))
    if m.level == "lanes only":
        return found
    says: list[tuple[Source, str, str]] = [
        ("checks", "reference objects, all lanes", "no check with reference objects"),
        ("paired", "paired fruit, line less hand", "no paired fruit"),
        ("hand", "line less unsorted hand pulls", "no hand pulls in both windows"),
    ]
    for source, had, had_not in says:
        part = split.sources.get(source)
        if part is None:
            found.append(_none("measurement", source, m, had_not))
            continue
        before = {"checks": bool(m.a.checks), "paired": m.a.paired is not None, "hand": True}
        taken = "" if before[source] else ", none before: the line taken to have been right then"
        found.append(_of("measurement", source, m, part, had + taken))
    if split.conflict:
        found.append(Evidence(
            "measurement", "common", m.measure, True, True,
            f"{_named(m)}: reference objects and fruit disagree; the sensor's model may not fit "
            "this cultivar. Paired fruit count."))
    for flag in sorted(set(m.b.flags) - set(m.a.flags), key=lambda f: (f.lane, f.state)):
        where = f"lane {flag.lane}" if flag.lane else "the whole line"
        found.append(Evidence("measurement", "states", m.measure, True, True,
                              f"{_named(m)}: sensor of {where} is {flag.state}.",
                              lanes=(flag.lane,) if flag.lane else ()))
    return found


def fruit_lines(*, facts: MeasureFacts, split: Split) -> list[Evidence]:
    """Step 3: the line's shift and what is left of it for the fruit."""
    if facts.level == "lanes only":
        return []
    if facts.level == "other fruit":
        return [_none("fruit", "level", facts, "other fruit in the two windows, so the line's own "
                      "level is not compared")]
    if split.line is None:
        return [_none("fruit", "level", facts, "no line readings in both windows")]
    found = [_of("fruit", "level", facts, split.line, "whole line, now less before")]
    if split.fruit is not None and split.common is not None:
        found.append(_of("fruit", "common", facts, split.fruit, "of that the fruit"))
    return found


def boundary_lines(*, facts: ChangeFacts) -> list[Evidence]:
    """Where the line's shift begins against the known changes of fruit."""
    found = []
    for m in facts.measures:
        if m.onset is None or not facts.boundaries:
            continue
        meeting = meets(onset=m.onset, boundaries=[b.window for b in facts.boundaries],
                        windows=facts.windows)
        names = ", ".join(f"{facts.boundaries[i].kind} {facts.boundaries[i].name}"
                          for i in meeting.inside)
        if names:
            text = (f"{_named(m)} begins to move at {names}; it would meet a boundary "
                    f"by chance in {percent(meeting.by_chance)} of places.")
        else:
            text = f"{_named(m)} begins to move at no known change of fruit."
        found.append(Evidence("fruit", "boundary", m.measure, True, bool(names), text,
                              meeting.by_chance))
    if not found:
        found.append(Evidence("fruit", "boundary", "", False, False,
                              "No onset or no known changes of fruit to compare it with."))
    return found


def onset_text(*, facts: ChangeFacts) -> str:
    """When it began, by measure, in windows; the caller puts fruit and time to them."""
    parts = []
    for m in facts.measures:
        for name, o in (("", m.onset), (" of the lane", m.lane_onset)):
            if o is not None:
                parts.append(f"{m.measure}{name}: {o.shape} from window {o.window} "
                             f"({o.low} to {o.high})")
    return f"Onset: {'; '.join(parts)}." if parts else ""


def consequence_text(*, done: Consequence) -> str:
    """What it did to fruit and boxes, and how near the tolerance they are."""
    share = done.changed / done.n if done.n else 0.0
    text = f"{done.changed:,} of {done.n:,} fruit ({percent(share)}) are in another class"
    if done.changed_low is not None and done.changed_high is not None:
        text += f", {done.changed_low:,} to {done.changed_high:,}"
    if done.out_share is not None:
        text += f"; boxes hold {percent(done.out_share)} out of their mark"
        if done.tolerance is not None:
            over = done.out_share > done.tolerance
            text += (f", {'over' if over else 'within'} the tolerance of "
                     f"{percent(done.tolerance)}")
            if over and done.out_share <= 2.0 * done.tolerance:
                text += " and under twice it"
            elif over:
                text += " and over twice it"
            else:
                text += f", {percent(done.tolerance - done.out_share)} of the fruit left"
    if done.boxes:
        text += f"; in question: {', '.join(done.boxes)}"
    return text + "."


_LANE_ACTION = "run reference objects through lane {lanes}"
_LINE_ACTION = "check the whole line with reference objects"


def next_action(
    *, verdict: str, causes: tuple[str, ...], facts: ChangeFacts, splits: dict[str, Split],
    pairs: int, regrade: bool, empty: bool = False,
) -> str:
    """What a person should do now; never anything done by itself."""
    parts = []
    if "rule" in causes:
        parts.append("Revert the rule or confirm it by name; do not ship boxes packed since under "
                     "the old mark before that.")
    if "measurement" in causes:
        lanes = sorted({lane.lane for s in splits.values() for lane in s.lanes
                        if lane.reading != "feed"}
                       | {f.lane for m in facts.measures for f in m.b.flags if f.lane})
        what = (_LANE_ACTION.format(lanes=", ".join(map(str, lanes))) if lanes else _LINE_ACTION)
        parts.append(f"{what.capitalize()}, recalibrate by name, then list the boxes since the "
                     "last good check.")
    if "fruit" in causes:
        feed = sorted({lane.lane for s in splits.values() for lane in s.lanes
                       if lane.reading == "feed"})
        if feed:
            parts.append(f"Look at what feeds lane {', '.join(map(str, feed))}.")
        if any(s.fruit is not None and s.fruit.moved for s in splits.values()):
            parts.append("Talk to the adviser and the grower; do not touch the cuts.")
    if verdict == "not separable":
        if regrade:
            parts.append("Regrade the window under the old rule.")
        parts.append("Compare windows in which the line packed fruit." if empty
                     else f"Not separable: post {pairs} paired fruit.")
    return " ".join(parts) or "Nothing to do."
