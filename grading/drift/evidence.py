"""What `explain_change` is given: plain values about two windows, A (before) and B (after).

Leave out what is not there; the answer says which evidence it had and which it had not.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

from grading.drift.onset import Onset

BoundaryKind = Literal["lot", "bin", "pick", "grower", "restart"]
SensorState = Literal["silent", "frozen", "impossible", "duplicated", "smoothed"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Estimate:
    """A mean with its standard error, in the measure's unit; n readings behind it, at least 2."""

    value: float
    se: float
    n: int


@dataclass(frozen=True, slots=True, kw_only=True)
class LaneLevel:
    """Centre of a measure in one lane and window (`cells.trimmed`), se its standard error.

    The se must hold the scatter between windows too where the lane's windows scatter more than
    their fruit explain (`lanes.LaneReading.scatter`).
    """

    lane: int
    centre: float
    se: float


@dataclass(frozen=True, slots=True, kw_only=True)
class LaneOffset:
    """Reference objects in one lane: reading less known value, se with the objects' own error."""

    lane: int
    offset: float
    se: float


@dataclass(frozen=True, slots=True, kw_only=True)
class SensorFlag:
    """A lane's sensor in a state that no fruit explains; lane 0 is the whole line."""

    lane: int
    state: SensorState


@dataclass(frozen=True, slots=True, kw_only=True)
class Side:
    """One measure in one window.

    lanes: line readings by lane. paired: bias, line less hand, of fruit measured both ways. hand:
    level of hand readings of unsorted fruit (of the same fruit where they were paired). checks:
    reference objects. A check or pull counts for a window if it was made during it, or before it
    with nothing altered since. flags: sensor states that hold in the window.
    """

    lanes: tuple[LaneLevel, ...] = ()
    paired: Estimate | None = None
    hand: Estimate | None = None
    checks: tuple[LaneOffset, ...] = ()
    flags: tuple[SensorFlag, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class MeasureFacts:
    """One measure in both windows. A share (fruit with a defect seen) is a measure too: lane
    centres are shares, paired differences 1, 0 or -1.

    margin: smallest shift that matters, in the unit (for diameter for instance half a millimetre,
    for hue a quarter of a class). ordinary_sd: sd of the difference between two such windows of
    like fruit in quiet running (`level.ordinary_sd`); windows of different lots need the spread
    between lots, or every new lot is a change of fruit, which it is. allowance: distance between
    lanes that nobody would act on. paired_sd: sd of single paired differences, to say how many
    pairs are needed. standing_se: how well the line was known to be right in A where A has no check
    or pull of its own.
    onset: of the line's common level; lane_onset: of the lane that moved most. level: whether the
    line's own level is compared; not where the fruit are known to be others, nor for a measure
    that is read only to compare lanes.
    """

    measure: str
    unit: str
    a: Side
    b: Side
    margin: float
    ordinary_sd: float = 0.0
    allowance: float = 0.0
    paired_sd: float = 1.0
    standing_se: float = 0.0
    onset: Onset | None = None
    lane_onset: Onset | None = None
    level: Literal["compared", "other fruit", "lanes only"] = "compared"


@dataclass(frozen=True, slots=True, kw_only=True)
class Share:
    """x of n fruit; n may be any number of fruit graded."""

    x: int
    n: int

    @property
    def value(self) -> float:
        return self.x / self.n if self.n else 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Regraded:
    """Window B graded again under A's rule: fruit whose outcome changed, and the outcome share."""

    changed: int
    n: int
    outcome: Share


@dataclass(frozen=True, slots=True, kw_only=True)
class RuleFacts:
    """Digests of the rules in force. regraded: needed only where they differ. change: who, when
    and why, in words, for the sentence."""

    a: str
    b: str
    regraded: Regraded | None = None
    change: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Boundary:
    """A known change of fruit: first window of the new fruit, counted as the onset's windows."""

    kind: BoundaryKind
    name: str
    window: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Consequence:
    """What the change did. changed: fruit in another class, with an interval. out_share: share of
    the box out of its mark; tolerance: what the mark allows. boxes: packs or boxes in question."""

    changed: int
    n: int
    changed_low: int | None = None
    changed_high: int | None = None
    out_share: float | None = None
    tolerance: float | None = None
    boxes: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class ChangeFacts:
    """Everything about windows A and B that is known.

    outcome: what dropped or rose ("No. 1 share"), outcome_a, outcome_b: its shares. ordinary_share
    _sd: sd of the difference between two such shares in quiet running, sampling apart. material_
    share: smallest change of a share that matters. windows: number of windows that onsets and
    boundaries are counted in.
    """

    rule: RuleFacts
    measures: tuple[MeasureFacts, ...] = ()
    outcome: str = "outcome share"
    outcome_a: Share | None = None
    outcome_b: Share | None = None
    ordinary_share_sd: float = 0.02
    material_share: float = 0.01
    boundaries: tuple[Boundary, ...] = ()
    windows: int = 0
    consequence: Consequence | None = field(default=None)
