"""The API keeps its own description: generated requests, good and bad, against a real process."""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.support.app import LOT
from tests.support.process import Served

EXAMPLES = 5000 if os.environ.get("DRUPE_NIGHTLY") else 200
PATIENT_S = 10 * EXAMPLES
"""Far longer than it takes; it decides nothing."""


@pytest.fixture
def served(tmp_path: Path) -> Iterator[Served]:
    found = Served(tmp_path / "data")
    found.start()
    assert found.request("POST", "/v1/lots", LOT)[0] == 201
    yield found
    found.stop()


@pytest.mark.faults
def test_generated_requests_find_nothing(served: Served, tmp_path: Path) -> None:
    done = subprocess.run(
        [str(Path(sys.executable).parent / "schemathesis"),
         "--config-file", str(Path(__file__).parent / "schemathesis.toml"), "run",
         f"http://127.0.0.1:{served.port}/v1/openapi.json",
         "--max-examples", str(EXAMPLES), "--seed", "20260714", "--phases",
         "examples,coverage,fuzzing", "--workers", "1", "--no-color",
         "--generation-database", "none", "--request-timeout", str(PATIENT_S)],
        capture_output=True, text=True, cwd=tmp_path, timeout=PATIENT_S, check=False)
    assert done.returncode == 0, done.stdout[-6000:] + done.stderr[-2000:]
    assert served.request("GET", "/health/ready")[0] == 200
