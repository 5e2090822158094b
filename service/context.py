"""The parts of one running service, joined once (`app.create_app`)."""

from __future__ import annotations

from dataclasses import dataclass

from starlette.requests import Request

from service.clock import Clock
from service.library import Library
from service.lots import Lots, LotState, UnknownLot
from service.metrics import Metrics
from service.problems import Problem
from service.quarantine import Quarantine
from service.road import Road
from service.settings import Settings
from service.store.open import Store


@dataclass(frozen=True, slots=True)
class Context:
    settings: Settings
    clock: Clock
    store: Store
    lots: Lots
    road: Road
    quarantine: Quarantine
    metrics: Metrics
    library: Library

    def lot(self, lot_id: str) -> LotState:
        """The lot, or the problem that there is none."""
        try:
            return self.lots.get(lot_id)
        except UnknownLot:
            raise Problem(status=404, code="unknown_lot",
                          detail=f"There is no lot {lot_id!r}. GET /v1/lots lists them.") from None


def context(request: Request) -> Context:
    """The context of the app that handles the request."""
    found: Context = request.app.state.context
    return found
