"""A hand pull as it is posted: who drew it, how, with what, and what was read on each fruit."""

from __future__ import annotations

from datetime import datetime
from fractions import Fraction
from typing import Annotated, Any, Literal

from pydantic import AwareDatetime, BaseModel, ConfigDict, Field, model_validator

from grading.numbers import SI_PER_UNIT, parse_number

Purpose = Literal["block", "receiving", "packed_box", "culls", "line_check"]
Words = Annotated[str, Field(max_length=80)]
Name = Annotated[str, Field(min_length=1, max_length=40)]
Reading = Annotated[float, Field(allow_inf_nan=False)]


class Closed(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class Declared(Closed):
    """What the boxes are marked with, and where in the trade they stand.

    min_diameter, max_diameter: as marked, for instance "2 1/2", in `diameter_unit`.
    """

    grade: Words | None = None
    stage: Literal["shipping_point", "destination"] = "shipping_point"
    min_diameter: Annotated[str, Field(max_length=12)] | None = None
    max_diameter: Annotated[str, Field(max_length=12)] | None = None
    diameter_unit: Literal["in", "mm"] = "in"
    size: Words | None = None
    marked_count: Annotated[int, Field(ge=1, le=1000)] | None = None
    net_weight_g: Annotated[float, Field(gt=0, le=1e6, allow_inf_nan=False)] | None = None
    pack_form: Words | None = None
    hemisphere: Literal["north", "south"] = "north"

    @model_validator(mode="after")
    def _diameters(self) -> Declared:
        for text in (self.min_diameter, self.max_diameter):
            if text is not None:
                parse_number(text)
        return self

    def diameter_mm(self, which: Literal["min", "max"]) -> Fraction | None:
        text = self.min_diameter if which == "min" else self.max_diameter
        return None if text is None else parse_number(text) * SI_PER_UNIT[self.diameter_unit]


class PulledPackage(Closed):
    """One box the fruit came from."""

    id: Name
    net_weight_g: Annotated[float, Field(gt=0, le=1e6, allow_inf_nan=False)] | None = None
    marked_count: Annotated[int, Field(ge=1, le=1000)] | None = None
    pack_form: Words | None = None


class LineFruit(Closed):
    """The line's record of the same fruit, so that hand and line can be compared fruit by
    fruit."""

    source: Annotated[str, Field(min_length=1, max_length=64)]
    run: Annotated[str, Field(min_length=1, max_length=64)]
    seq: Annotated[int, Field(ge=0, le=2**53)]


class PulledFruit(Closed):
    """One fruit. Firmness: one reading a cheek, in one unit. sugar_brix is the reading;
    with sugar_temp_c and a refractometer that does not compensate it is corrected to 20 degC."""

    package: Name | None = None
    line_fruit: LineFruit | None = None
    diameter_mm: Reading | None = None
    diameter_in: Reading | None = None
    circumference_mm: Reading | None = None
    mass_g: Reading | None = None
    firmness_n: Annotated[list[Reading], Field(min_length=1, max_length=4)] | None = None
    firmness_lbf: Annotated[list[Reading], Field(min_length=1, max_length=4)] | None = None
    firmness_kgf: Annotated[list[Reading], Field(min_length=1, max_length=4)] | None = None
    tip_mm: Reading | None = None
    pulp_temp_c: Reading | None = None
    sugar_brix: Reading | None = None
    sugar_temp_c: Reading | None = None
    sugar_atc: bool | None = None
    ground_hue_deg: Reading | None = None
    ground_chip: Words | None = None
    blush_fraction: Reading | None = None
    defects: Annotated[list[dict[str, Any]], Field(max_length=40)] = Field(default_factory=list)
    judged: dict[str, bool] = Field(default_factory=dict)


class PullIn(Closed):
    """A hand-pulled sample. `id` makes sending it twice harmless; without one, its content does.

    tip_mm and sugar_atc hold for every fruit that does not say its own. how_drawn: the sampling
    scheme in words; trends never mix two schemes.
    """

    id: Annotated[str, Field(min_length=1, max_length=60,
                             pattern=r"^[A-Za-z0-9][A-Za-z0-9._:-]*$")] | None = None
    purpose: Purpose
    person: Annotated[str, Field(min_length=1, max_length=80)]
    drawn_at: AwareDatetime
    how_drawn: Annotated[str, Field(max_length=200)] = ""
    instruments: dict[Annotated[str, Field(max_length=40)], Words] = Field(default_factory=dict)
    tip_mm: Reading | None = None
    sugar_atc: bool = False
    declared: Declared = Declared()
    packages: Annotated[list[PulledPackage], Field(max_length=200)] = Field(default_factory=list)
    fruit: Annotated[list[PulledFruit], Field(min_length=1, max_length=1000)]

    def drawn_ms(self) -> int:
        return round(self.drawn_at.timestamp() * 1000)

    @model_validator(mode="after")
    def _time(self) -> PullIn:
        if not datetime(2000, 1, 1).year <= self.drawn_at.year < 2100:
            raise ValueError("drawn_at lies outside 2000 to 2100")
        return self
