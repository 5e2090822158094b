"""One process, one event loop, one writer: the service as it is started."""

from __future__ import annotations

import uvicorn

from service.app import create_app
from service.settings import Settings


def run(settings: Settings) -> None:
    """Serve until stopped by a signal; what was accepted is on the disk when it returns."""
    uvicorn.run(
        create_app(settings=settings), host=settings.host, port=settings.port, workers=1,
        access_log=False, log_level="warning", timeout_graceful_shutdown=10, lifespan="on",
        server_header=False)
