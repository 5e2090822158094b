"""Lots as the running service holds them: what each is bound to, and its counts so far.

A lot is bound when it opens to one edition of a pack standard, one cultivar profile and one size
basis; a later release cannot change how its fruit are graded. Counts are kept in memory as long as
somebody asks for them, rebuilt from the chunks when first asked for, and extended by every commit
before its fruit are acknowledged, so what is acknowledged is counted.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

from grading.kernel import Compiled, compile_standard
from grading.monitor.girth import GirthSeries
from grading.monitor.series import Span, WindowSeries
from grading.monitor.state import Shape
from grading.profile import CultivarProfile
from grading.standard import PackStandard
from grading.tally import Tally, empty, tally
from service.cull_table import CullTable
from service.running import Running
from service.store.errors import Refused
from service.store.group import LINE, Stored
from service.store.lots import Lot
from service.store.reader import Reader

MINUTE: Final = Span(kind="time", size=60_000)
WEEK_WINDOWS: Final = 5 * 8 * 60
"""One-minute windows of a week of single shifts; common practice, no source."""


class UnknownLot(Exception):
    """No lot of that id."""


@dataclass(frozen=True, slots=True)
class Binding:
    """What a lot is graded under."""

    compiled: Compiled
    digest: str
    profile_digest: str | None


class LotState:
    """One lot. `row` is its table row; the counts are those of line fruit, never of pulls."""

    def __init__(self, *, row: Lot, binding: Binding) -> None:
        self.row = row
        self.binding = binding
        compiled = binding.compiled
        self._tally: Running[Tally] = Running(
            lot=row.id, empty=lambda: empty(compiled=compiled),
            add=lambda total, batch, verdicts: total.merge(
                tally(batch=batch, verdicts=verdicts, compiled=compiled)))

        self._windows: Running[WindowSeries] = Running(
            lot=row.id, empty=lambda: WindowSeries(
                lot=row.id, line=row.line or "", span=MINUTE, shape=Shape.of(compiled=compiled),
                digest=binding.digest),
            add=lambda series, batch, verdicts: series.add(batch=batch, verdicts=verdicts))
        self._culls: Running[CullTable] = Running(
            lot=row.id, empty=CullTable, add=lambda table, batch, verdicts: table.add(
                batch=batch, verdicts=verdicts, cull=self.cull))
        self._girth: Running[GirthSeries] = Running(
            lot=row.id, empty=GirthSeries,
            add=lambda series, batch, verdicts: series.add(batch=batch))

    @property
    def id(self) -> str:
        return self.row.id

    @property
    def closed(self) -> bool:
        return self.row.closed_ms is not None

    @property
    def cull(self) -> int:
        """The grade code of culls."""
        return len(self.binding.compiled.grade_names) - 1

    def committed(self, *, stored: Stored, commit: int) -> None:
        """Count what a commit added. Called on the writer thread."""
        self._tally.committed(stored=stored, commit=commit)
        self._windows.committed(stored=stored, commit=commit)
        self._culls.committed(stored=stored, commit=commit)
        self._girth.committed(stored=stored, commit=commit)

    def rest(self) -> bool:
        """Let go of the counts that nobody has asked for since the last call, and say whether there
        were any."""
        sums: tuple[Running[Any], ...] = (self._tally, self._windows, self._culls, self._girth)
        return any([one.rest() for one in sums])

    def counts(self, *, reader: Reader) -> Tally:
        """The tally of every stored line fruit of the lot."""
        return self._tally.value(reader=reader)

    def windows(self, *, reader: Reader) -> WindowSeries:
        """The one-minute windows of every stored line fruit of the lot, by the fruit's own time."""
        return self._windows.value(reader=reader)

    def girth(self, *, reader: Reader) -> GirthSeries:
        """Diameters with the fruit's mass taken out, by minute and lane."""
        return self._girth.value(reader=reader)

    def culls(self, *, reader: Reader) -> CullTable:
        """Its line fruit, culls and their causes by source, minute and lane."""
        return self._culls.value(reader=reader)


class Lots:
    """Every lot by id. Not thread-safe for opening; the event loop opens and closes lots."""

    def __init__(self) -> None:
        self._lots: dict[str, LotState] = {}
        self._bindings: dict[tuple[str, str | None, str], Binding] = {}
        self._texts: dict[str, str] = {}

    def load(
        self, *, rows: Sequence[Lot], standards: Mapping[str, str],
        profiles: Mapping[str, str],
    ) -> None:
        """Take over the stored lots. standards, profiles: digest to canonical text.

        Refused if a lot names one that is not among them.
        """
        self._texts.update(standards)
        for row in rows:
            profile = row.profile_digest
            for what, digest, known in (("standard", row.standard_digest, standards),
                                        ("profile", profile, profiles)):
                if digest and digest not in known:
                    raise Refused(f"lot {row.id} is graded under {what} {digest}, which is not "
                                  "stored; restore a backup")
            self.add(row=row, binding=self.bind(
                standard=PackStandard.model_validate_json(standards[row.standard_digest]),
                profile=CultivarProfile.model_validate_json(profiles[profile]) if profile else None,
                basis=row.basis))

    def bind(
        self, *, standard: PackStandard, profile: CultivarProfile | None, basis: str
    ) -> Binding:
        """The binding for a standard, profile and basis. Raises ValueError for a foreign basis."""
        key = (standard.digest(), profile.digest() if profile else None, basis)
        if key not in self._bindings:
            self._bindings[key] = Binding(
                compile_standard(standard=standard, profile=profile, basis=basis), key[0], key[1])
        return self._bindings[key]

    def under(self, *, lot: LotState, digest: str) -> Binding:
        """What fruit of a lot were graded under that are stored with a standard's digest: its own,
        or one with cuts moved for a time. Raises KeyError for one that was never stored."""
        if digest == lot.binding.digest:
            return lot.binding
        return self.bind(
            standard=PackStandard.model_validate_json(self._texts[digest]),
            profile=lot.binding.compiled.profile, basis=lot.row.basis)

    def knows(self, *, digest: str) -> bool:
        return digest in self._texts

    def know(self, *, standard: PackStandard) -> None:
        """A standard that was stored."""
        self._texts[standard.digest()] = standard.canonical()

    def add(self, *, row: Lot, binding: Binding) -> LotState:
        state = LotState(row=row, binding=binding)
        self._lots[state.id] = state
        return state

    def get(self, lot_id: str) -> LotState:
        try:
            return self._lots[lot_id]
        except KeyError:
            raise UnknownLot(lot_id) from None

    def find(self, lot_id: str) -> LotState | None:
        return self._lots.get(lot_id)

    def all(self) -> list[LotState]:
        return list(self._lots.values())

    def __contains__(self, lot_id: str) -> bool:
        return lot_id in self._lots

    def committed(self, *, stored: Sequence[Stored], commit: int) -> None:
        """Hand each part of a commit to its lot; pulled fruit are not the line's."""
        for part in stored:
            if part.kind == LINE and part.lot in self._lots:
                self._lots[part.lot].committed(stored=part, commit=commit)
