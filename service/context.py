"""The parts of one running service, joined once (`app.create_app`)."""

from __future__ import annotations

from dataclasses import dataclass

from starlette.requests import Request

from service.alarms.runner import Runner
from service.alarms.watching import Rejects
from service.clock import Clock
from service.cuts import Cuts
from service.ingest.parser import Parser
from service.library import Library
from service.lines import Arrivals, Lines
from service.live import Live
from service.lots import Lots, LotState, UnknownLot
from service.metrics import Metrics
from service.presence import Presence
from service.problems import Problem
from service.quarantine import Quarantine
from service.road import Road
from service.settings import Settings
from service.sources import Sources
from service.store.open import Store
from service.throughput import Throughput
from service.watch.watch import Watch


@dataclass(frozen=True, slots=True)
class Context:
    settings: Settings
    clock: Clock
    store: Store
    lots: Lots
    road: Road
    parser: Parser
    quarantine: Quarantine
    metrics: Metrics
    library: Library
    sources: Sources
    lines: Lines
    arrivals: Arrivals
    cuts: Cuts
    presence: Presence
    live: Live
    throughput: Throughput
    rejects: Rejects
    watch: Watch
    alarms: Runner

    def lot(self, lot_id: str) -> LotState:
        """The lot, or the problem that there is none."""
        try:
            return self.lots.get(lot_id)
        except UnknownLot:
            raise unknown_lot(lot_id) from None


def unknown_lot(lot_id: str) -> Problem:
    return Problem(status=404, code="unknown_lot",
                   detail=f"There is no lot {lot_id!r}. GET /v1/lots lists them.")


def context(request: Request) -> Context:
    """The context of the app that handles the request."""
    found: Context = request.app.state.context
    return found
