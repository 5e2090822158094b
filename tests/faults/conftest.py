"""The faulty disk, compiled once a session."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from tests.support.faulty_disk import FaultyDisk, build, compiler


@pytest.fixture(scope="session")
def disk_library(tmp_path_factory: pytest.TempPathFactory) -> Path:
    if compiler() is None:
        pytest.skip("no C compiler (cc) here to build tests/support/faulty_disk.c")
    return build(folder=tmp_path_factory.mktemp("faulty-disk"))


@pytest.fixture
def faulty_disk(disk_library: Path, tmp_path: Path) -> Callable[..., FaultyDisk]:
    """Makes a disk for the files under `root`, a folder of the test's own."""
    made = []

    def make(root: Path, **options: Any) -> FaultyDisk:
        folder = tmp_path / f"disk-{len(made)}"
        folder.mkdir()
        root.mkdir(parents=True, exist_ok=True)
        made.append(FaultyDisk(library=disk_library, root=root, folder=folder, **options))
        return made[-1]

    return make
