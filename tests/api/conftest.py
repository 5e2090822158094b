"""A fresh service with one open lot for every test of the API."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from starlette.testclient import TestClient

from tests.support.app import open_lot, service


@pytest.fixture
def client(tmp_path: Path) -> Iterator[TestClient]:
    with service(tmp_path / "data") as found:
        open_lot(found)
        yield found
