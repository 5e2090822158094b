"""Cultivar profile: which measures say something about this cultivar's maturity."""

from __future__ import annotations

import hashlib
import json
import tomllib
from typing import Literal

from pydantic import Field, ValidationError

from grading.errors import Finding, StandardError
from grading.numbers import Evidence, Number, Strict


class CultivarProfile(Strict):
    """What a pack standard's rules ask about a cultivar.

    ground_colour: "not_usable" on solid-red cultivars, whose red hides the ground colour before
    maturity; hue is then ignored for maturity and the verdict says so.
    chroma_floor: below this CIELAB chroma a hue angle is noise and counts as not observable.
    ground_floor: least share of the surface that must show ground colour for its hue to count.
    """

    schema_version: Literal[1] = Field(alias="schema")
    id: str = Field(pattern=r"^[a-z0-9][a-z0-9-]{1,48}$")
    title: str
    produce: Literal["peach", "nectarine"]
    flesh: Literal["yellow", "white", "red"]
    melting: Literal["melting", "non_melting", "slow_melting", "stony_hard"]
    acidity: Literal["standard", "sub_acid"] = "standard"
    red_coverage: Literal["partial", "solid"] = "partial"
    ground_colour: Literal["usable", "not_usable"] = "usable"
    shape: Literal["round", "flat"] = "round"
    chroma_floor: Number = Field(default="10", validate_default=True)
    ground_floor: Number = Field(default="0.05", validate_default=True)
    chips: dict[str, Number] = Field(
        default_factory=dict,
        description="House colour-chip chart: chip name to the CIELAB hue angle it stands for")
    evidence: Evidence = "house"
    owner: str = Field(description="Who at the house answers for this profile")
    note: str = ""

    def trait(self, name: str) -> str:
        return str(getattr(self, name))

    def canonical(self) -> str:
        return json.dumps(self.model_dump(mode="json", by_alias=True), sort_keys=True,
                          ensure_ascii=False)

    def digest(self) -> str:
        """SHA-256 of the canonical form, the profile's identity."""
        return hashlib.sha256(self.canonical().encode()).hexdigest()


TRAITS = ("produce", "flesh", "melting", "acidity", "red_coverage", "ground_colour", "shape")


def pydantic_findings(error: ValidationError) -> tuple[Finding, ...]:
    """Pydantic's errors in the one shape."""
    found = []
    for item in error.errors():
        path = "/" + "/".join(str(p) for p in item["loc"])
        message = item["msg"].removeprefix("Value error, ")
        found.append(Finding(path, item["type"], message + ".", ""))
    return tuple(found)


def load_profile(*, text: str, name: str = "profile") -> CultivarProfile:
    """A cultivar profile from TOML. Raises StandardError with every finding."""
    try:
        return CultivarProfile.model_validate(tomllib.loads(text))
    except tomllib.TOMLDecodeError as error:
        raise StandardError(name=name, findings=(
            Finding("", "not_toml", f"{error}.", "Mend the file's syntax."),)) from error
    except ValidationError as error:
        raise StandardError(name=name, findings=pydantic_findings(error)) from error
