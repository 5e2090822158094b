"""What the service is told at start; anything unknown or unsafe stops it before it serves."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Any, Literal

from pydantic import BaseModel, ConfigDict, Field, ValidationError, model_validator

LOOPBACK = ("127.0.0.1", "::1", "localhost")


class SettingsError(Exception):
    """A setting that cannot be honoured; one line naming setting, value and remedy."""


class Settings(BaseModel):
    """data_dir: folder of the store. queue_fruit: most fruit waiting for the disk.

    body_bytes: largest request body. quarantine_per_day: refused records kept a day; later ones
    are counted only. house: name on pages and reports.
    """

    model_config = ConfigDict(frozen=True, extra="forbid")

    data_dir: Path = Path("drupe-data")
    host: str = "127.0.0.1"
    port: int = Field(default=8747, ge=0, le=65535)
    allow_remote: bool = False
    synchronous: Literal["FULL"] = "FULL"
    queue_fruit: int = Field(default=200_000, ge=1_000, le=10_000_000)
    body_bytes: int = Field(default=32 * 1024 * 1024, ge=1024, le=1024**3)
    quarantine_per_day: int = Field(default=10_000, ge=0)
    standards_dir: Path | None = None
    house: str = "Larkspur Bench Packing"

    @model_validator(mode="after")
    def _reachable_only_on_purpose(self) -> Settings:
        if self.host not in LOOPBACK and not self.allow_remote:
            raise ValueError(
                "this edition has no sign-in, so it listens on this machine only; "
                "set allow_remote when a gateway in front of it checks who comes in")
        return self


def load_settings(*, config: Path | None = None, **given: Any) -> Settings:
    """Settings from an optional TOML file, overridden by what is given (None = not given).

    Raises SettingsError with one line for the first setting that cannot be honoured.
    """
    values: dict[str, Any] = {}
    if config is not None:
        try:
            values = tomllib.loads(config.read_text(encoding="utf-8"))
        except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError) as error:
            raise SettingsError(f"config {config}: {error}; mend or leave out the file") from error
    values.update({k: v for k, v in given.items() if v is not None})
    try:
        return Settings.model_validate(values)
    except ValidationError as error:
        raise SettingsError(_one_line(error)) from error


def _one_line(error: ValidationError) -> str:
    first = error.errors()[0]
    name = ".".join(str(p) for p in first["loc"]) or "host"
    if first["type"] == "extra_forbidden":
        return (f"setting {name} = {first['input']!r} is not known; known are: "
                + ", ".join(Settings.model_fields))
    value = first["input"] if first["loc"] else "not a loopback address"
    return f"setting {name} = {value!r}: {first['msg'].removeprefix('Value error, ')}"
