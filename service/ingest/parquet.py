"""Parquet: a table that comes packed, unpacked by a process of its own.

The library's reader ends the whole process at some broken files, and a few thousand bytes can
stand for gigabytes. So a child with a limit of memory and time reads the file and hands back a
plain Arrow stream, which takes the way of any other.
"""

from __future__ import annotations

import asyncio
import json
import os
import subprocess
import sys
from concurrent.futures import ThreadPoolExecutor
from functools import partial
from pathlib import Path
from typing import Final

from service.ingest import unpack
from service.ingest.faults import body_error

WAIT_S: Final = 60.0
_ASIDE: Final = ThreadPoolExecutor(1, thread_name_prefix="unpack")
_CHILD: Final = [sys.executable, "-P", str(Path(unpack.__file__))]


def unpacked(*, body: bytes) -> bytes:
    """The table as an Arrow IPC stream. Raises BodyError. It waits for a child; `unpacked_aside`
    does not keep others waiting."""
    try:
        # Its own allocator reserves far more than it uses, which the limit would count.
        done = subprocess.run(
            _CHILD, input=body, capture_output=True, check=False, timeout=WAIT_S,
            env={**os.environ, "ARROW_DEFAULT_MEMORY_POOL": "system"})
    except subprocess.TimeoutExpired:
        raise body_error("too_long", "The table takes too long to read.",
                         "Send several bodies.") from None
    if done.returncode == unpack.TOO_LARGE:
        code, message = json.loads(done.stdout)
        raise body_error(code, message, "Send several bodies.")
    if done.returncode != 0:
        last = done.stderr.decode("utf-8", "replace").strip().rpartition("\n")[2]
        why = last.partition(": ")[2] if done.returncode == 1 else "its reader gave up"
        raise body_error("not_parquet", f"The body is not Parquet: {why[:200]}.",
                         "Send a whole Parquet file.")
    return done.stdout


async def unpacked_aside(*, body: bytes) -> bytes:
    """The same while the event loop goes on; one at a time, so that the limit of memory is one."""
    return await asyncio.get_running_loop().run_in_executor(_ASIDE, partial(unpacked, body=body))
