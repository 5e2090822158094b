"""Registered sources: what sends records, how it measures, and the keys it shows.

A name that was never registered is let in as long as the settings allow it; a registered one
only with one of its keys.
"""

from __future__ import annotations

import hashlib
import hmac
import secrets
from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Annotated, Final, Literal

from pydantic import BaseModel, ConfigDict, Field

from grading.quantities import MEASURES
from service.rows import Whole
from service.store.sources import KeyRow, SourceRow

NAME: Final = "^[A-Za-z0-9][A-Za-z0-9 ._-]{0,63}$"
"""Names of sources, runs, lines and lots; the colon is kept for what the service names itself."""
KEY_BYTES: Final = 32

Name = Annotated[str, Field(pattern=NAME)]
Words = Annotated[str, Field(max_length=80)]


class Measured(BaseModel):
    """How well a source reads one measure, in the measure's own unit.

    resolution: its smallest step. uncertainty: standard uncertainty of one reading.
    """

    model_config = ConfigDict(extra="forbid", frozen=True)

    resolution: float | None = Field(default=None, gt=0, le=1000, strict=True)
    uncertainty: float | None = Field(default=None, gt=0, le=1000, strict=True)


class Description(BaseModel):
    """What a source is.

    diameter: which diameter it gives: the greatest across the fruit, the mean of several, or
    that of the sphere of equal volume. tip_mm: plunger of its firmness, taken where a record
    names none. clock: "trusted" when it is kept in step with the house's, so that a fruit sent
    late goes to the lot of its own time; "arrival" otherwise.
    """

    model_config = ConfigDict(extra="forbid", frozen=True)

    line: Name | None = None
    lanes: Whole = Field(default=1, ge=1, le=255)
    diameter: Literal["greatest", "mean", "equivalent"] = "greatest"
    tip_mm: float | None = Field(default=None, ge=3, le=15, strict=True)
    colour_space: Words = ""
    measures: dict[Literal[*sorted(MEASURES)], Measured] = Field(  # type: ignore[valid-type]  # from a table
        default_factory=dict)
    clock: Literal["trusted", "arrival"] = "arrival"
    note: Annotated[str, Field(max_length=400)] = ""


@dataclass(frozen=True, slots=True, eq=False)
class Source:
    """A registered source as it is now. keys: id to SHA-256 of those that hold."""

    id: str
    revision: int
    at_ms: int
    is_: Description
    keys: dict[str, bytes] = field(default_factory=dict)


class SourceRefused(Exception):
    """Who sends is not who it says, or is not known. status: 401 or 403."""

    def __init__(self, *, status: int, code: str, detail: str) -> None:
        super().__init__(detail)
        self.status, self.code, self.detail = status, code, detail


def new_key() -> tuple[str, str]:
    """(id, key): the key is shown once; it has 256 bits of chance, so a plain digest keeps it."""
    return secrets.token_hex(6), secrets.token_urlsafe(KEY_BYTES)


def digest_of(key: str) -> bytes:
    return hashlib.sha256(key.encode()).digest()


class Sources:
    """Every registered source by id; changed by the event loop only."""

    def __init__(self, *, unregistered: Literal["accept", "refuse"]) -> None:
        self._sources: dict[str, Source] = {}
        self._unregistered = unregistered

    def load(self, *, rows: Iterable[SourceRow], keys: Iterable[KeyRow]) -> None:
        """Take over the stored revisions, in their order, and the keys that hold."""
        for row in rows:
            self.put(Source(row.id, row.revision, row.at_ms,
                            Description.model_validate(row.body), {}))
        for key in keys:
            if key.ended_ms is None:
                self._sources[key.source].keys[key.id] = key.sha256

    def put(self, source: Source) -> None:
        self._sources[source.id] = source

    def get(self, source_id: str) -> Source | None:
        return self._sources.get(source_id)

    def all(self) -> list[Source]:
        return sorted(self._sources.values(), key=lambda s: s.id)

    def on_line(self, line: str) -> list[Source]:
        return [s for s in self.all() if s.is_.line == line]

    def admit(self, *, source: str, key: str | None) -> Source | None:
        """The registered source behind a name, None for a free one. Raises SourceRefused."""
        found = self._sources.get(source)
        if found is None:
            if self._unregistered == "refuse":
                raise SourceRefused(status=403, code="unknown_source", detail=(
                    f"Source {source!r} is not registered, and this service takes records from "
                    "registered sources only. Register it: POST /v1/sources."))
            return None
        if key is None:
            raise SourceRefused(status=401, code="key_missing", detail=(
                f"Source {source!r} is registered, so its records need its key. Send the header "
                "Authorization: Bearer KEY."))
        shown = digest_of(key)
        if not any(hmac.compare_digest(shown, held) for held in found.keys.values()):
            raise SourceRefused(status=401, code="key_wrong", detail=(
                f"That is not a key of source {source!r}. A new one: "
                f"POST /v1/sources/{source}/keys."))
        return found
