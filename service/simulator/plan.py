"""A plan: what a simulated shift is made of. Read from TOML, the same for the same digest."""

from __future__ import annotations

import hashlib
import json
import tomllib
from datetime import UTC, datetime
from importlib.resources import files
from pathlib import Path
from typing import Annotated, Any, Final, Literal

from pydantic import AwareDatetime, BaseModel, ConfigDict, Field, ValidationError, model_validator

from grading.errors import Finding, StandardError
from grading.profile import pydantic_findings
from service.simulator.events import Event
from service.simulator.fruit import CULTIVARS, Cultivar

START: Final = datetime(2026, 7, 27, 11, 0, tzinfo=UTC)
SEED_MAX: Final = 2**63 - 1
Share = Annotated[float, Field(ge=0, le=1, allow_inf_nan=False)]
Positive = Annotated[float, Field(gt=0, allow_inf_nan=False)]
Spread = Annotated[float, Field(ge=0, allow_inf_nan=False)]
Minutes = Annotated[float, Field(ge=0, allow_inf_nan=False)]
Id = Annotated[str, Field(min_length=1, max_length=40, pattern=r"^[A-Za-z0-9][A-Za-z0-9._-]*$")]


class Closed(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class Lot(Closed):
    """A lot as it is packed: `bins` bins, dumped one after another.

    fruit: fields of `fruit.Cultivar` that differ from the cultivar's own. bin_size_sd_mm,
    bin_ripeness_sd: how bins differ. wander_*: slow change inside the lot with a memory of
    `wander_min` minutes, which is what makes shares vary more than chance would let them.
    """

    id: Id
    grower: str
    block: str
    cultivar: Literal[*sorted(CULTIVARS)]  # type: ignore[valid-type]  # from a table
    pick: int = Field(default=1, ge=1, le=20)
    standard: str = "house-long-distance"
    bins: int = Field(ge=1, le=2_000)
    bin_fruit: int = Field(default=2_400, ge=50, le=100_000)
    fruit: dict[str, float] = Field(default_factory=dict)
    bin_size_sd_mm: Spread = 0.5
    bin_ripeness_sd: Spread = 0.25
    bin_defect_log_sd: Spread = 0.25
    wander_size_sd_mm: Spread = 0.3
    wander_ripeness_sd: Spread = 0.15
    wander_defect_log_sd: Spread = 0.15

    @model_validator(mode="after")
    def _known(self) -> Lot:
        odd = [name for name in self.fruit if name not in Cultivar.__dataclass_fields__]
        if odd:
            raise ValueError(f"a cultivar has no {', '.join(odd)}")
        return self

    def opening(self, *, line: str, standard: str) -> dict[str, Any]:
        """The body that opens it."""
        return {"id": self.id, "grower": self.grower, "block": self.block,
                "cultivar": self.cultivar, "pick": self.pick, "standard": standard, "line": line}


class Stop(Closed):
    """The belt stands still."""

    at_min: Minutes
    seconds: Positive


class Pulls(Closed):
    """Hand pulls of `n` fruit in a row, every so many minutes; paired: with the line's numbers."""

    first_min: Minutes
    every_min: Positive | None = None
    n: int = Field(default=30, ge=1, le=500)
    paired: bool = True
    person: str = "Line checker"


class Sphere(Closed):
    """A reference object: sphere, tile or weight, of one measure's known value."""

    object: str
    measure: Literal["diameter", "mass", "hue", "chroma"]
    known: Positive


OBJECTS: Final = (
    Sphere(object="sphere 55", measure="diameter", known=55.0),
    Sphere(object="sphere 75", measure="diameter", known=75.0),
    Sphere(object="tile yellow", measure="hue", known=92.0),
    Sphere(object="tile yellow", measure="chroma", known=45.0),
    Sphere(object="weight 150", measure="mass", known=150.0),
)


class Checks(Closed):
    """Reference objects passed over every lane, every so many minutes, `passes` times each."""

    first_min: Minutes
    every_min: Positive | None = None
    passes: int = Field(default=5, ge=1, le=50)
    objects: tuple[Sphere, ...] = OBJECTS
    person: str = "Line checker"


class Sensor(Closed):
    """How a line reads one measure, in its unit.

    lane_sd: spread of the lanes' fixed offsets. noise_sd: repeatability of one reading. step: the
    smallest step it sends, a whole number of quanta. share: part of the fruit that it reads.
    """

    lane_sd: Spread
    noise_sd: Spread
    step: Positive
    share: Share = 1.0


# Orders of size only: 0.5 to 1.5 mm for a camera's diameter and 0.5 to 1.0 degrees Brix for an
# optical estimate are from memory and weak; the rest is invented.
SENSORS: Final[dict[str, Sensor]] = {
    "diameter": Sensor(lane_sd=0.08, noise_sd=0.6, step=0.1),
    "mass": Sensor(lane_sd=0.3, noise_sd=0.8, step=0.1),
    "hue": Sensor(lane_sd=0.2, noise_sd=1.0, step=0.1),
    "chroma": Sensor(lane_sd=0.3, noise_sd=1.0, step=0.1),
    "blush": Sensor(lane_sd=0.004, noise_sd=0.02, step=0.001),
    "sugar": Sensor(lane_sd=0.08, noise_sd=0.6, step=0.1, share=0.40),
    "firmness": Sensor(lane_sd=0.6, noise_sd=4.0, step=0.1, share=0.15),
}


class Line(Closed):
    """A packing line: lanes, speed and the lots it packs in turn, `gap_s` of empty belt between.

    uneven: relative spread of how many fruit the lanes get. mixing_fruit: over how many fruit two
    bins mingle on the belt. defects_seen: part of the defects that the cameras find.
    """

    id: Id
    lanes: int = Field(default=8, ge=1, le=64)
    per_lane: Positive = 4.0
    lots: tuple[Lot, ...] = Field(min_length=1)
    gap_s: Spread = 90.0
    stops: tuple[Stop, ...] = ()
    uneven: Share = 0.05
    mixing_fruit: int = Field(default=120, ge=0)
    wander_min: Positive = 8.0
    defects_seen: Share = 0.93
    sensors: dict[Literal[*sorted(SENSORS)], Sensor] = Field(  # type: ignore[valid-type]  # from a table
        default_factory=dict)
    pulls: tuple[Pulls, ...] = ()
    checks: tuple[Checks, ...] = ()

    @property
    def rate(self) -> float:
        """Fruit a second of the whole line while it runs."""
        return self.lanes * self.per_lane

    @property
    def source(self) -> str:
        """The name that its records carry."""
        return f"{self.id}-sizer"

    def sensor(self, measure: str) -> Sensor:
        return self.sensors.get(measure, SENSORS[measure])


class Plan(Closed):
    """A shift of `hours`, of one or more lines, with everything that is to happen in it."""

    name: Id
    title: str = ""
    house: str = "Larkspur Bench Packing"
    start: AwareDatetime = START
    hours: Annotated[float, Field(gt=0, le=72, allow_inf_nan=False)] = 8.0
    seed: int = Field(default=20260727, ge=0, le=SEED_MAX)
    line: tuple[Line, ...] = Field(min_length=1)
    event: tuple[Event, ...] = Field(default=(), max_length=63)

    @model_validator(mode="after")
    def _fits(self) -> Plan:
        lines = {line.id: line for line in self.line}
        lots = [lot.id for line in self.line for lot in line.lots]
        if len(lines) < len(self.line) or len(set(lots)) < len(lots):
            raise ValueError("two lines or two lots have one id")
        for number, event in enumerate(self.event):
            line = lines.get(event.line)
            faults = [f"there is no line {event.line!r}"] if line is None else event.faults(
                lanes=line.lanes, lots={lot.id: lot.bins for lot in line.lots})
            if faults:
                raise ValueError(f"event {number + 1}, {event.kind}: {'; '.join(faults)}")
        return self

    def digest(self) -> str:
        """SHA-256 of the plan in canonical form."""
        text = json.dumps(self.model_dump(mode="json"), sort_keys=True, separators=(",", ":"))
        return hashlib.sha256(text.encode()).hexdigest()


def read_plan(*, text: str, name: str = "plan") -> Plan:
    """A plan from TOML. Raises StandardError with every finding."""
    try:
        return Plan.model_validate(tomllib.loads(text))
    except tomllib.TOMLDecodeError as error:
        raise StandardError(name=name, findings=(
            Finding("", "not_toml", f"{error}.", "Mend the file's syntax."),)) from error
    except ValidationError as error:
        raise StandardError(name=name, findings=pydantic_findings(error)) from error


def shipped_plans() -> tuple[Plan, ...]:
    """The plans that come with the program, by name."""
    folder = Path(str(files("service.simulator"))) / "plans"
    return tuple(read_plan(text=path.read_text("utf-8"), name=path.name)
                 for path in sorted(folder.glob("*.toml")))


def load_plan(name: str) -> Plan:
    """A shipped plan by its name, or one from the path of a file. Raises StandardError."""
    if name.endswith(".toml") or "/" in name:
        try:
            return read_plan(text=Path(name).read_text("utf-8"), name=Path(name).name)
        except (OSError, UnicodeDecodeError) as error:
            raise StandardError(name=name, findings=(Finding(
                "", "not_readable", f"{name} cannot be read: {error}.", "Check the path."),
            )) from error
    for plan in shipped_plans():
        if plan.name == name:
            return plan
    names = ", ".join(plan.name for plan in shipped_plans())
    raise StandardError(name=name, findings=(Finding(
        "", "unknown", f"There is no plan {name!r}.",
        f"Choose one of {names}, random, or the path of a file."),))
