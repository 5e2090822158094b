"""What the watch found on a line."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Final, Literal

from grading.drift.answer import Cause, Verdict
from grading.drift.words import Evidence

Kind = Literal["lane", "level", "share", "bias", "rule"]
Key = tuple[Kind, str, int, int]
MINUTE_MS: Final = 60_000


@dataclass(frozen=True, slots=True, kw_only=True)
class Finding:
    """Something that moved, as far as the line's own fruit tell.

    kind: "lane" against the other lanes, "level" of a measure on the whole line, "share" of fruit
    (culls, or with defects), "bias" of the line as pulls or checks show it, "rule". what: the
    measure, or the share's name, or the rule. lane: 0 for the whole line. best_ms with from_ms
    and until_ms: when it began, and between when; shape: at once or slowly. size: in `unit`, after
    less before. ratio: over its limit to act. found_ms: when it called for action; ended_ms: when
    it was over. told: of a bias, the last pull or check without it and the first one with it.
    """

    kind: Kind
    what: str
    lane: int = 0
    lot: str
    best_ms: int
    from_ms: int
    until_ms: int
    shape: Literal["step", "ramp"] = "step"
    size: float
    unit: str
    ratio: float
    found_ms: int
    ended_ms: int | None = None
    told: tuple[int, int] | None = None

    @property
    def key(self) -> Key:
        return (self.kind, self.what, self.lane, self.found_ms)

    @property
    def open(self) -> bool:
        return self.ended_ms is None


@dataclass(frozen=True, slots=True, kw_only=True)
class Why:
    """The three-way answer to a finding, as of asked_ms."""

    asked_ms: int
    before: tuple[int, int]
    after: tuple[int, int]
    verdict: Verdict
    causes: tuple[Cause, ...]
    evidence: tuple[Evidence, ...] = ()
    open: tuple[str, ...] = ()
    consequence: str = ""
    next_action: str = ""
    pairs: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class Answered:
    """A finding with its cause. why: None until there are fruit enough to ask."""

    finding: Finding
    why: Why | None = None
    asked: tuple[int, ...] = field(default=())

    @property
    def level(self) -> Literal["look", "act"]:
        """A change that does not stand when it is asked about is only worth a look; so is a rule
        until it is known to have moved fruit."""
        if self.why is None:
            return "look" if self.finding.kind == "rule" else "act"
        return "look" if self.why.verdict == "no change" else "act"
