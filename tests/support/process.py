"""The service as a real process on a real disk, to be killed and started again."""

from __future__ import annotations

import http.client
import json
import os
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Mapping
from pathlib import Path
from typing import Any

START_S = 120.0
"""How long a start may take on a busy machine; it decides nothing."""


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


def refused(
    data_dir: Path, *options: str, env: Mapping[str, str] | None = None
) -> tuple[int, list[str]]:
    """Exit code and lines on standard error of a `drupe serve` that does not get to serve."""
    ended = subprocess.run(
        [sys.executable, "-m", "service.cli.main", "serve", "--data", str(data_dir), "--port", "0",
         *options],
        capture_output=True, text=True, timeout=START_S, check=False,
        env={**os.environ, **(env or {})})
    assert ended.stdout == "", "it serves"
    return ended.returncode, ended.stderr.splitlines()


class Served:
    """`drupe serve` on a port and data folder; `start` returns once it answers.

    env: variables that the process gets besides the test's own.
    """

    def __init__(self, data_dir: Path, *options: str, env: Mapping[str, str] | None = None) -> None:
        self.data_dir = data_dir
        self._env = env or {}
        self.port = free_port()
        self._options = options
        self._process: subprocess.Popen[bytes] | None = None

    def start(self) -> None:
        self._process = subprocess.Popen(
            [sys.executable, "-m", "service.cli.main", "serve", "--data", str(self.data_dir),
             "--port", str(self.port), *self._options],
            stdout=subprocess.DEVNULL, stderr=subprocess.PIPE,
            env={k: v for k, v in os.environ.items() if not k.startswith("COV_CORE")}
            | dict(self._env))
        deadline = time.monotonic() + START_S
        while time.monotonic() < deadline:
            if self._process.poll() is not None:
                assert self._process.stderr is not None
                raise AssertionError(f"the service ended: {self._process.stderr.read().decode()}")
            try:
                if self.request("GET", "/health/ready")[0] == 200:
                    return
            except OSError:
                time.sleep(0.02)  # polls for the port, decides nothing
        self.kill()
        raise AssertionError(f"the service did not answer within {START_S:.0f} s")

    @property
    def pid(self) -> int:
        assert self._process is not None
        return self._process.pid

    def kill(self) -> None:
        """SIGKILL, as a power switch would."""
        self._end(signal.SIGKILL)

    def stop(self) -> int:
        """SIGTERM and wait; the exit code."""
        return self._end(signal.SIGTERM)

    def _end(self, how: signal.Signals) -> int:
        if self._process is None:
            return 0
        process, self._process = self._process, None
        process.send_signal(how)
        code = process.wait(timeout=START_S)
        assert process.stderr is not None
        process.stderr.close()
        return code

    def request(self, method: str, path: str, body: Any = None) -> tuple[int, Any]:
        """Status and decoded JSON; OSError or http.client.HTTPException when there is none."""
        connection = http.client.HTTPConnection("127.0.0.1", self.port, timeout=60)
        try:
            payload = None if body is None else json.dumps(body)
            connection.request(method, path, payload, {"Content-Type": "application/json"})
            answer = connection.getresponse()
            return answer.status, json.loads(answer.read())
        finally:
            connection.close()
