"""What there are alarms for, read from `definitions.toml`."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from pathlib import Path
from typing import Final, Literal

from pydantic import BaseModel, ConfigDict, Field, model_validator

Priority = Literal["urgent", "caution", "advisory"]
PRIORITIES: Final[tuple[Priority, ...]] = ("urgent", "caution", "advisory")
LANGUAGES: Final = ("en", "es")


class Text(BaseModel):
    """An alarm in one language; the texts may name {subject}, {line}, {lot}, {value}, {limit}."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    title: str = Field(min_length=1)
    cause: str = Field(min_length=1)
    consequence: str = Field(min_length=1)
    response: str = Field(min_length=1)


class Definition(BaseModel):
    """One kind of alarm.

    limit: in `unit`; a share and a ratio are plain numbers. deadband: part of the limit, [0, 1).
    """

    model_config = ConfigDict(frozen=True, extra="forbid")

    kind: str
    priority: Priority
    unit: Literal["share", "seconds", "count", "ratio"]
    limit: float = Field(gt=0)
    deadband: float = Field(ge=0, lt=1)
    on_delay_s: float = Field(ge=0)
    off_delay_s: float = Field(ge=0)
    respond_within_s: float = Field(gt=0)
    suppressed_while: frozenset[Literal["stopped", "changing"]] = frozenset()
    yields_to: tuple[str, ...] = ()
    en: Text
    es: Text

    def text(self, lang: str) -> Text:
        return self.es if lang == "es" else self.en


class _File(BaseModel):
    kinds: dict[str, Definition]

    @model_validator(mode="after")
    def _ordered(self) -> _File:
        before: set[str] = set()
        for kind, definition in self.kinds.items():
            unknown = set(definition.yields_to) - before
            if unknown:
                raise ValueError(f"{kind} yields to {sorted(unknown)}, which stand not before it")
            before.add(kind)
        return self


def read_definitions(*, text: str) -> Mapping[str, Definition]:
    """Every kind by its name, in the order of the file. Raises ValueError."""
    return _File.model_validate({"kinds": {
        kind: {"kind": kind, **body} for kind, body in tomllib.loads(text).items()}}).kinds


DEFINITIONS: Final = read_definitions(
    text=(Path(__file__).parent / "definitions.toml").read_text(encoding="utf-8"))
