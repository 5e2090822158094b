"""Kinds of events: what goes wrong or changes, what a size means, and which cause it is.

`cause` is the right answer to "did the fruit, the measurement or the rule change?"; "none" is for
trouble that moves no class (cables, clocks, order of arrival).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated, Final, Literal

from pydantic import BaseModel, ConfigDict, Field

Cause = Literal["fruit", "measurement", "rule", "none"]
Shape = Literal["step", "ramp", "fading"]

READ: Final = ("diameter", "mass", "hue", "chroma", "blush", "sugar", "firmness")
"""What a line's sensors read, in the order used everywhere here."""


@dataclass(frozen=True, slots=True)
class Kind:
    """One kind of event.

    shape: how its size goes from start to end ("step" whole at once, "ramp" from 0 to its size,
    "fading" from its size towards 0). size: unit and meaning. measures: those it may name; the
    first is meant when none is. by_lane: whether lanes may be named. of_bins: whether it begins at
    a bin of a lot and not at a time. on_objects: whether reference objects are misread too.
    """

    cause: Cause
    size: str
    shape: Shape = "step"
    measures: tuple[str, ...] = ()
    by_lane: bool = False
    of_bins: bool = False
    on_objects: bool = False


KINDS: Final[dict[str, Kind]] = {
    # The measurement.
    "lane_offset": Kind("measurement", "added to the reading, in the measure's unit",
                        measures=READ, by_lane=True, on_objects=True),
    "lane_scale": Kind("measurement", "relative: 0.02 reads 2 % more", by_lane=True,
                       measures=("diameter", "mass"), on_objects=True),
    "lamp_ageing": Kind("measurement", "degrees of hue at the end; chroma falls by half as much",
                        shape="ramp", by_lane=True, on_objects=True),
    "warm_up": Kind("measurement", "degrees of hue at the start, a fiftieth of it at the end",
                    shape="fading", by_lane=True, on_objects=True),
    "dirty_lens": Kind("measurement", "degrees of hue at the end; blush is read lower by a "
                       "hundredth and the noise doubles for each 2 degrees", shape="ramp",
                       by_lane=True, on_objects=True),
    "wet_fruit": Kind("measurement", "share of blush added; hue falls by 20 degrees and chroma "
                      "rises by 20 for a whole 1"),
    "double_fruit": Kind("measurement", "share of the fruit that are seen as one with the next",
                         by_lane=True),
    "frozen": Kind("measurement", "not used: the lane repeats one value", measures=READ,
                   by_lane=True, on_objects=True),
    "silent_lane": Kind("measurement", "not used: the lane sends nothing", by_lane=True,
                        on_objects=True),
    "duplicated": Kind("measurement", "how many fruit in a row of a lane get the readings of the "
                       "first", by_lane=True),
    "smoothed": Kind("measurement", "how many fruit in a row of a lane get their mean",
                     by_lane=True),
    # The fruit.
    "riper": Kind("fruit", "added to the ripeness (1 is the spread inside a bin)", of_bins=True),
    "larger": Kind("fruit", "added to the diameter, in mm", of_bins=True),
    "more_defects": Kind("fruit", "factor on the share of fruit with a defect", of_bins=True),
    # The rule.
    "cut_change": Kind("rule", "added to the size cut at `cut_mm`, in mm"),
    # Neither: delivery, clocks, numbering.
    "network_break": Kind("none", "fruit sent again although they had arrived"),
    "clock_skew": Kind("none", "seconds that the clock is ahead at the end", shape="ramp"),
    "clock_jump": Kind("none", "seconds that the clock is ahead"),
    "sensor_restart": Kind("none", "not used: a new run begins"),
    "out_of_order": Kind("none", "places that a fruit may be late in the order of sending"),
}


class Event(BaseModel):
    """One event of a plan.

    start_min, end_min: minutes after the start of the shift; without an end it lasts to the end of
    the shift. lanes: numbers from 1, none for all. lot, from_bin, to_bin: of the fruit kinds, bins
    counted from 1, to_bin included; without it to the end of the lot.
    """

    model_config = ConfigDict(extra="forbid", frozen=True)

    kind: Literal[*sorted(KINDS)]  # type: ignore[valid-type]  # from a table
    line: str
    size: float = Field(default=0.0, allow_inf_nan=False)
    start_min: float = Field(default=0.0, ge=0, allow_inf_nan=False)
    end_min: float | None = Field(default=None, allow_inf_nan=False)
    lanes: tuple[Annotated[int, Field(ge=1, le=255)], ...] = ()
    measure: Literal[*READ] | None = None  # type: ignore[valid-type]  # from a table
    cut_mm: float = 63.5
    lot: str | None = None
    from_bin: int = Field(default=1, ge=1)
    to_bin: int | None = Field(default=None, ge=1)
    note: str = ""

    def about(self) -> Kind:
        return KINDS[self.kind]

    def measured(self) -> str | None:
        """The measure it is about, where its kind has one."""
        listed = self.about().measures
        return (self.measure or listed[0]) if listed else None

    def faults(self, *, lanes: int, lots: dict[str, int]) -> list[str]:
        """What is wrong with it on a line of so many lanes and lots with so many bins."""
        about, found = self.about(), []
        if self.lanes and not about.by_lane:
            found.append("it concerns the whole line, so it names no lanes")
        if any(lane > lanes for lane in self.lanes):
            found.append(f"the line has lanes 1 to {lanes}")
        if self.measure is not None and self.measure not in about.measures:
            found.append(f"it cannot be about {self.measure}")
        if self.end_min is not None and self.end_min <= self.start_min:
            found.append("it ends before it starts")
        if about.of_bins:
            if self.lot not in lots:
                found.append(f"the line packs no lot {self.lot!r}")
            elif max(self.from_bin, self.to_bin or 0) > lots[self.lot]:
                found.append(f"lot {self.lot} has {lots[self.lot]} bins")
            if self.to_bin is not None and self.to_bin < self.from_bin:
                found.append("its last bin comes before its first")
        if self.kind in ("duplicated", "smoothed") and self.size < 2:
            found.append("its size is at least 2 fruit")
        if self.kind == "double_fruit" and not 0 < self.size <= 0.5:
            found.append("its size is a share above 0, at most 0.5")
        return found
