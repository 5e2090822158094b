"""Several bodies of one source and run taken apart as one.

A call costs much the same for one row as for a thousand, so bodies that wait for the same thing
go together from here to the disk.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Final, TypeVar

import numpy as np

from grading.columns import Parsed, to_batch
from grading.errors import Finding
from grading.quantities import Integers
from grading.record import concat
from service.ingest.parse import Body, BodyError, Texts, parse_body

T = TypeVar("T")

ROWS_MAX: Final = 1_000_000
"""Of all bodies; a column of one value takes next to no bytes, but every row is answered."""


@dataclass(frozen=True, slots=True)
class Place:
    """Where the n records of a body are among those of all; `wrong` if it cannot be read."""

    first: int
    n: int
    wrong: tuple[Finding, ...] = ()

    def own(self, *, by_position: Mapping[int, T]) -> dict[int, T]:
        """Of what is told by position among all, what is its own, by position in the body."""
        return {at - self.first: what for at, what in by_position.items()
                if self.first <= at < self.first + self.n}


@dataclass(frozen=True, slots=True)
class Together:
    """What became of the records of some bodies. places: by body. Positions in `parsed` count
    through all of them, in the order of the places' firsts. texts: of bodies, by number, whose
    records are at hand one by one."""

    places: tuple[Place, ...]
    parsed: Parsed
    texts: Mapping[int, Texts] = field(default_factory=dict)

    def rows(self, *, kept: Integers) -> list[slice]:
        """By body, which rows are its own of those at positions `kept`."""
        ends = np.searchsorted(kept, [(p.first, p.first + p.n) for p in self.places])
        return [slice(start, stop) for start, stop in ends.tolist()]


def parse_bodies(
    *, bodies: Sequence[bytes], media: str, source: str, run: str, tip_mm: float | None = None
) -> Together | None:
    """`parse_body` for several; what it raises is told in their place. None where they are too
    much for one go."""
    if media == "arrow" and len(bodies) > 1:
        from service.ingest.arrow import parse_streams  # pyarrow loads slowly

        joined = parse_streams(
            bodies=bodies, source=source, run=run, tip_mm=tip_mm, rows_max=ROWS_MAX)
        if joined is not None:
            firsts, sizes, parsed = joined
            return Together(tuple(map(Place, firsts, sizes)), parsed)
    found: list[Body | tuple[Finding, ...]] = []
    for body in bodies:
        try:
            found.append(parse_body(
                body=body, media=media, source=source, run=run, tip_mm=tip_mm))
        except BodyError as error:
            found.append(error.findings)
        if len(found) > 1 and sum(f.n for f in found if isinstance(f, Body)) > ROWS_MAX:
            return None
    return _joined(found, source, run)


def _joined(
    found: Sequence[Body | tuple[Finding, ...]], source: str, run: str
) -> Together:
    """In order of their numbers: fruit that ascend are the quickest to tell from repeats."""
    places = [Place(0, 0, f if isinstance(f, tuple) else ()) for f in found]
    good = [(k, f) for k, f in enumerate(found) if isinstance(f, Body)]
    good.sort(key=lambda one: int(one[1].parsed.batch.seq[0]) if len(one[1].parsed.batch) else 0)
    first = 0
    kept, refused = [], {}
    for k, body in good:
        places[k] = Place(first, body.n)
        kept.append(body.parsed.kept + first)
        refused.update({first + at: what for at, what in body.parsed.refused.items()})
        first += body.n
    if len(good) == 1:
        return Together(tuple(places), good[0][1].parsed, dict(good))
    if not good:
        return Together(tuple(places), to_batch(records=[], source=source, run=run))
    batch = concat(batches=[body.parsed.batch for _, body in good])
    return Together(tuple(places), Parsed(batch, np.concatenate(kept), refused), dict(good))
