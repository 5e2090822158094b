"""Errors of the store.

    StoreError
    ├── Refused         the store will not start or do this; one line: setting, value, remedy
    ├── QueueFull       too many fruit wait for the disk; try again shortly
    ├── StorageFull     the disk is full; nothing of this was kept, send it again later
    ├── StorageFailed   the disk or database failed; nothing of this was kept
    ├── StoreClosed     the store is closing or closed
    └── ChunkDamaged    a stored chunk does not read back
"""

from __future__ import annotations


class StoreError(Exception):
    """Root of every error the store raises on purpose."""


class Refused(StoreError):
    """A promise cannot be kept, so nothing is started or changed."""


class QueueFull(StoreError):
    """The bounded queue has no room for this submission."""


class StorageFull(StoreError):
    """The disk is full. The submission was rolled back; later ones work once space returns."""


class StorageFailed(StoreError):
    """The submission was not committed."""


class StoreClosed(StoreError):
    """Submitted after `stop`."""


class ChunkDamaged(StoreError):
    """The bytes of a chunk do not decode."""
