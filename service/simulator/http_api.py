"""A connection to a running service, and the house on it: lines, sources and lots of a plan."""

from __future__ import annotations

import http.client
import json
import socket
import threading
from collections.abc import Mapping
from typing import Any, Final
from urllib.parse import quote, urlsplit

from service.simulator.plan import Lot
from service.simulator.whole import Shift

TIMEOUT_S: Final = 30.0
PAUSE_S: Final = 0.5
BUSY: Final = frozenset({429, 502, 503, 504, 507})
"""Answers after which the same is sent again."""


class Trouble(Exception):
    """Why the simulation cannot go on, in one line."""


class Ended(Exception):
    """Somebody asked to stop while something was being sent again and again."""


class Api:
    """One connection to the service, made anew when it breaks; for one thread.

    stop: ends what is tried again and again. Raises Trouble for answers that no repeat mends.
    """

    def __init__(self, *, to: str, stop: threading.Event) -> None:
        split = urlsplit(to)
        if split.scheme != "http" or not split.hostname:
            raise Trouble(f"{to} is not an address such as http://127.0.0.1:8747")
        self.host, self.port = split.hostname, split.port or 80
        self._conn = http.client.HTTPConnection(self.host, self.port, timeout=TIMEOUT_S)
        self._stop = stop

    def once(
        self, method: str, path: str, body: bytes | None = None,
        headers: Mapping[str, str] | None = None,
    ) -> tuple[int, Any]:
        """Status and decoded answer. Raises OSError or http.client.HTTPException."""
        try:
            self._conn.request(method, path, body,
                               {"content-type": "application/json", **(headers or {})})
            answer = self._conn.getresponse()
            raw = answer.read()
        except (OSError, http.client.HTTPException):
            self._conn.close()
            raise
        try:
            return answer.status, json.loads(raw) if raw else None
        except ValueError:
            return answer.status, None

    def call(
        self, method: str, path: str, value: Any = None, *, raw: bytes | None = None,
        headers: Mapping[str, str] | None = None, allowed: tuple[int, ...] = (),
    ) -> tuple[int, Any]:
        """The answer, once there is one: sent again while the service is away or busy."""
        body = raw if raw is not None or value is None else json.dumps(value).encode()
        while True:
            try:
                status, answer = self.once(method, path, body, headers)
            except (OSError, http.client.HTTPException):
                status, answer = 503, None
            if status < 300 or status in allowed:
                return status, answer
            if status not in BUSY:
                said = answer.get("detail", "") if isinstance(answer, dict) else ""
                raise Trouble(
                    f"{method} {path.partition('?')[0]} was answered {status}: {said}")
            if self._stop.wait(PAUSE_S):
                raise Ended

    def drop_during(self, path: str, body: bytes, headers: Mapping[str, str]) -> None:
        """Send a body and break the connection before its answer has come."""
        try:
            self._conn.request("POST", path, body,
                               {"content-type": "application/json", **headers})
            if self._conn.sock is not None:
                self._conn.sock.shutdown(socket.SHUT_RDWR)
        except (OSError, http.client.HTTPException):
            pass  # broken a little earlier than meant
        finally:
            self._conn.close()

    def close(self) -> None:
        self._conn.close()


def set_up(*, api: Api, shift: Shift) -> dict[str, str]:
    """Register lines and sources and open the lots, whatever of it is not there yet; the key of
    each source. Raises Trouble."""
    if api.once("GET", "/health/ready")[0] != 200:
        raise Trouble("the service is not ready to take fruit")
    keys = {}
    for line in shift.lines.values():
        first = line.plan.lots[0]
        api.call("POST", "/v1/lines", {
            "id": line.id, "note": "Simulated",
            "holding": {"standard": first.standard, "cultivar": first.cultivar}}, allowed=(409,))
        measures = {m: {"resolution": line.plan.sensor(m).step,
                        "uncertainty": line.plan.sensor(m).noise_sd}
                    for m in line.offsets if line.plan.sensor(m).noise_sd > 0}
        status, answer = api.call("POST", "/v1/sources", {
            "id": line.source, "line": line.id, "lanes": line.plan.lanes, "tip_mm": 8.0,
            "colour_space": "CIELAB, D65, 10 degrees", "measures": measures, "note": "Simulated",
        }, allowed=(409,))
        if status == 409:
            _, answer = api.call("POST", f"/v1/sources/{quote(line.source)}/keys")
        keys[line.source] = answer["key"]
        for lot in line.lots:
            open_lot(api=api, lot=lot, line=line.id, standard=lot.standard)
    return keys


def open_lot(*, api: Api, lot: Lot, line: str, standard: str) -> None:
    """Open a lot, if there is none of its name; one that is there is packed on."""
    api.call("POST", "/v1/lots", lot.opening(line=line, standard=standard), allowed=(409,))
