"""What another process holds, as the kernel counts it (proc(5))."""

from __future__ import annotations

import os
from pathlib import Path


def resident_bytes(pid: int) -> int:
    pages = int(Path(f"/proc/{pid}/statm").read_text("ascii").split()[1])
    return pages * os.sysconf("SC_PAGE_SIZE")


def open_files(pid: int) -> int:
    return len(os.listdir(f"/proc/{pid}/fd"))


def threads(pid: int) -> int:
    return len(os.listdir(f"/proc/{pid}/task"))
