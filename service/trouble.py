"""Storage trouble as an answer: why nothing was kept, and when to try again."""

from __future__ import annotations

from service.problems import Problem
from service.store.errors import QueueFull, StorageFull


def storage_problem(error: Exception) -> Problem:
    """Why nothing was kept, and when to try again."""
    if isinstance(error, QueueFull):
        return Problem(status=503, code="queue_full", retry_after_s=1, detail=(
            "More fruit wait for the disk than the queue takes. Nothing of this body counts as "
            "kept; send all of it again."))
    if isinstance(error, StorageFull):
        return Problem(status=507, code="disk_full", retry_after_s=10, detail=(
            "The disk is full. Nothing of this body counts as kept; free space and send all of it "
            "again."))
    return Problem(status=503, code="storage", retry_after_s=5, detail=(
        f"The store cannot take records now ({error}). Nothing of this body counts as kept; "
        "send all of it again."))
