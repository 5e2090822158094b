"""What a disk may hold after the power goes: all that was synced, and any part of the rest.

Built from the journal of `faulty_disk`. The rules are POSIX's, not those of one file system: a
write is durable once a sync of its file that began after it has ended; a name once its folder was
synced so. Of later writes each may be there, missing, or there in some of its 512-byte sectors.
"""

from __future__ import annotations

import random
from collections.abc import Iterable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final

from tests.support.faulty_disk import (
    OPEN,
    SYNC_BEGINS,
    SYNC_ENDS,
    TRUNCATE,
    UNLINK,
    WRITE,
    Event,
)

SECTOR: Final = 512


@dataclass(slots=True)
class _Log:
    """Changes of one file, or of the names in a folder, and how many of them are durable."""

    changes: list[Event] = field(default_factory=list)
    durable: int = 0


class PowerCut:
    """Takes events in their order and tells what may be left of one folder at that moment."""

    def __init__(self, *, folder: Path) -> None:
        self._folder = folder
        self._names = _Log()
        self._files: list[_Log] = []
        self._by_inode: dict[int, _Log] = {}
        self._made: dict[int, _Log] = {}  # by id of the event that made the file
        self._begun: dict[int, tuple[_Log, int]] = {}

    def take(self, events: Iterable[Event]) -> None:
        for event in events:
            if event.kind == OPEN:
                self._opened(event)
            elif event.kind == UNLINK:
                self._names.changes.append(event)
            elif event.kind in (WRITE, TRUNCATE) and event.a in self._by_inode:
                self._by_inode[event.a].changes.append(event)
            elif event.kind == SYNC_BEGINS and event.a in self._by_inode:
                log = self._by_inode[event.a]
                self._begun[event.b] = log, len(log.changes)
            elif event.kind == SYNC_ENDS and event.b in self._begun:
                log, upto = self._begun.pop(event.b)
                log.durable = max(log.durable, upto)

    def _opened(self, event: Event) -> None:
        if event.path == str(self._folder):
            self._by_inode[event.a] = self._names
        elif event.b:
            log = self._by_inode[event.a] = self._made[id(event)] = _Log()
            self._files.append(log)
            self._names.changes.append(event)

    def leave(self, *, target: Path, rng: random.Random) -> None:
        """One of the states that the disk may be in, as files in `target`."""
        held: dict[str, _Log] = {}
        for at, change in enumerate(self._names.changes):
            if at >= self._names.durable and rng.random() < 0.5:
                continue
            name = Path(change.path).name
            if change.kind == UNLINK:
                held.pop(name, None)
            else:
                held[name] = self._made[id(change)]
        target.mkdir(parents=True)
        for name, log in held.items():
            # Nobody syncs shared memory: after the cut it may hold anything.
            left = rng.randbytes(32_768) if name.endswith("-shm") else _content(log, rng)
            (target / name).write_bytes(left)


def _content(log: _Log, rng: random.Random) -> bytes:
    body = bytearray()
    for change in log.changes[:log.durable]:
        _apply(body, change)
    how = rng.choice(("none", "all", "some", "torn"))
    for change in log.changes[log.durable:]:
        if how == "none" or (how in ("some", "torn") and rng.random() < 0.5):
            continue
        if how == "torn" and change.kind == WRITE:
            for at in range(0, len(change.data), SECTOR):
                if rng.random() < 0.5:
                    part = change.data[at:at + SECTOR]
                    _apply(body, Event(WRITE, change.a, change.b + at, part))
        else:
            _apply(body, change)
    return bytes(body)


def _apply(body: bytearray, change: Event) -> None:
    size = change.b if change.kind == TRUNCATE else change.b + len(change.data)
    if len(body) < size:
        body.extend(bytes(size - len(body)))
    if change.kind == TRUNCATE:
        del body[size:]
    else:
        body[change.b:size] = change.data
