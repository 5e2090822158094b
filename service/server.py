"""One process, one event loop, one writer: the service as it is started."""

from __future__ import annotations

import signal
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Final

import uvicorn

from service.app import create_app
from service.settings import Settings

SWITCH_S: Final = 0.0005
"""How long one thread may keep the interpreter from another. The writer thread hands answers to
the event loop; at the interpreter's own 5 ms each of them could wait that long."""


class _Server(uvicorn.Server):
    """Ends by a signal with exit code 0: everything accepted is on the disk by then."""

    @contextmanager
    def capture_signals(self) -> Iterator[None]:
        handled = (signal.SIGINT, signal.SIGTERM)
        before = {sig: signal.signal(sig, self.handle_exit) for sig in handled}
        try:
            yield
        finally:
            for sig, handler in before.items():
                signal.signal(sig, handler)


def run(settings: Settings) -> None:
    """Serve until stopped by a signal. Raises store.errors.Refused, OSError for the port."""
    sys.setswitchinterval(SWITCH_S)
    server = _Server(uvicorn.Config(
        create_app(settings=settings), host=settings.host, port=settings.port, workers=1,
        access_log=False, log_level="warning", timeout_graceful_shutdown=10, lifespan="on",
        server_header=False))
    server.run()
