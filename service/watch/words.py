"""A finding in one English sentence, for the API; the pages say it in the reader's language."""

from __future__ import annotations

from typing import Any, Final

from service.rows import utc
from service.watch.finding import Answered, Finding

CAUSES: Final = {
    "rule": "the rule changed", "measurement": "the measurement changed",
    "fruit": "the fruit changed", "several": "several things changed",
    "not separable": "fruit or measurement: not separable", "no change": "not shown to last"}
DECIMALS: Final = {"mm": 2, "deg": 1}
SHARES: Final = {"culls": "the share of culls", "defects": "the share of fruit with defects"}


def what_moved(finding: Finding) -> str:
    """What moved by how much, without a cause."""
    much = _size(finding)
    way = "up" if finding.size > 0 else "down"
    match finding.kind:
        case "lane":
            return f"lane {finding.lane} reads {finding.what} {much} {_than(finding)} the others"
        case "level":
            return f"{finding.what} of the whole line went {way} by {much}"
        case "share":
            return f"{SHARES[finding.what]} went {way} by {much}"
        case "bias":
            return f"the line reads {finding.what} {much} {_than(finding)} before"
        case _:
            return "the fruit are graded under another rule"


def _than(finding: Finding) -> str:
    return "more than" if finding.size > 0 else "less than"


def _size(finding: Finding) -> str:
    size = abs(finding.size)
    if finding.unit == "share":
        return f"{100 * size:.1f} points"
    return f"{size:.{DECIMALS.get(finding.unit, 1)}f} {finding.unit}"


def sentence(one: Answered) -> str:
    """What moved, since when, and why."""
    told = what_moved(one.finding)
    since = (utc(one.finding.best_ms) or "")[11:16]
    why = "" if one.why is None else f": {CAUSES[one.why.verdict]}"
    return f"{told[0].upper()}{told[1:]} since {since} UTC{why}."


def finding_json(one: Answered) -> dict[str, Any]:
    """A finding on the wire."""
    f, why = one.finding, one.why
    return {
        "kind": f.kind, "what": f.what, "lane": f.lane or None, "lot": f.lot, "level": one.level,
        "open": f.open, "sentence": sentence(one),
        "began": {"at": utc(f.best_ms), "from": utc(f.from_ms), "until": utc(f.until_ms),
                  "slowly": f.shape == "ramp"},
        "found": utc(f.found_ms), "ended": utc(f.ended_ms),
        "size": f.size, "unit": f.unit, "over_limit": f.ratio,
        "why": None if why is None else {
            "verdict": why.verdict, "causes": list(why.causes), "asked": utc(why.asked_ms),
            "before": {"from": utc(why.before[0]), "until": utc(why.before[1])},
            "after": {"from": utc(why.after[0]), "until": utc(why.after[1])},
            "evidence": [{"step": e.step, "source": e.source, "measure": e.measure, "had": e.had,
                          "moved": e.moved, "text": e.text} for e in why.evidence],
            "open": list(why.open), "consequence": why.consequence,
            "next_action": why.next_action, "paired_fruit_needed": why.pairs,
        },
    }
