"""What a service holds, as the kernel counts it (proc(5)): with the processes beside it."""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import suppress
from pathlib import Path


def family(pid: int) -> Iterator[int]:
    """The process, those that it started, and theirs."""
    yield pid
    for task in tasks(pid):
        with suppress(OSError):  # a thread that has ended meanwhile
            for child in (task / "children").read_text("ascii").split():
                yield from family(int(child))


def tasks(pid: int) -> list[Path]:
    with suppress(OSError):
        return list(Path(f"/proc/{pid}/task").iterdir())
    return []


def resident_bytes(pid: int) -> int:
    pages = 0
    for one in family(pid):
        with suppress(OSError):  # a child that has ended meanwhile
            pages += int(Path(f"/proc/{one}/statm").read_text("ascii").split()[1])
    return pages * os.sysconf("SC_PAGE_SIZE")


def open_files(pid: int) -> int:
    return len(os.listdir(f"/proc/{pid}/fd"))


def threads(pid: int) -> int:
    return len(os.listdir(f"/proc/{pid}/task"))
