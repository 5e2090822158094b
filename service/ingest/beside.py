"""The process beside the service that takes bulk bodies apart, and the memory they share.

A body lies in a slot of shared memory; a few bytes over a socket say where. What was made of it
comes back through the same slot. The memory has no name, so nothing is left behind whatever ends
either process, and the child ends when its parent's end of the socket is gone.
"""

from __future__ import annotations

import mmap
import pickle
import signal
import socket
import sys
from dataclasses import dataclass
from typing import Any, Final

import msgspec

from grading.columns import Parsed
from grading.record import Column, FruitBatch
from service.ingest.parse import BodyError, parse_body
from service.memory import keep_memory

SLOTS: Final = 4
MESSAGE_BYTES: Final = 4096
READY: Final = b"ready"


class Job(msgspec.Struct, array_like=True):
    """A body of `size` bytes in a slot, and what else `parse_body` is given."""

    slot: int
    size: int
    media: str
    source: str
    run: str
    tip_mm: float | None


class Done(msgspec.Struct, array_like=True):
    """What a job came to: `parts`, the lengths of a pickle and its buffers one after another in
    the slot. Empty: it has no room there, or failed, and is to be done by whoever asked."""

    slot: int
    parts: list[int]


@dataclass(frozen=True, slots=True)
class Layout:
    """Where things lie: a slot is the body, then what was made of it, up to twice as long."""

    limit: int

    @property
    def size(self) -> int:
        return 3 * self.limit * SLOTS

    def body(self, slot: int) -> int:
        return 3 * self.limit * slot

    def answer(self, slot: int) -> int:
        return 3 * self.limit * slot + self.limit


def packed(found: object) -> list[Any]:
    """A pickle and its buffers."""
    buffers: list[pickle.PickleBuffer] = []
    head = pickle.dumps(found, protocol=5, buffer_callback=buffers.append)
    return [head, *(buffer.raw() for buffer in buffers)]


def plain(*, n: int, parsed: Parsed) -> tuple[Any, ...]:
    """What `unpacked` gives back, without classes, which take long to pickle."""
    b = parsed.batch
    return (
        n, b.seq, b.lane, b.time_ms.values, b.time_ms.present,
        [(k, c.values, c.present) for k, c in b.measures.items()],
        [(k, c.values, c.present) for k, c in b.originals.items()],
        dict(b.defects), dict(b.judged), parsed.kept, dict(parsed.refused))


def unpacked(
    *, whole: bytearray, parts: list[int], source: str, run: str
) -> tuple[int, Parsed]:
    """What was packed, its arrays in `whole`. Raises BodyError where that is what was found."""
    view, at, pieces = memoryview(whole), 0, []
    for size in parts:
        pieces.append(view[at:at + size])
        at += size
    found = pickle.loads(pieces[0], buffers=pieces[1:])
    if isinstance(found, tuple) and len(found) == 1:
        raise BodyError(findings=found[0])
    n, seq, lane, times, dated, measures, originals, defects, judged, kept, refused = found
    batch = FruitBatch(
        source=source, run=run, seq=seq, lane=lane, time_ms=Column(times, dated),
        measures={k: Column(v, p) for k, v, p in measures},
        originals={k: Column(v, p) for k, v, p in originals}, defects=defects, judged=judged)
    return n, Parsed(batch, kept, refused)


class Worker:
    """What the other process does with its jobs."""

    def __init__(self, *, memory: mmap.mmap, layout: Layout) -> None:
        self._memory = memory
        self._layout = layout

    def do(self, job: Job) -> Done:
        """Take one body apart; the slot holds what it came to."""
        start = self._layout.body(job.slot)
        try:
            found = parse_body(body=self._memory[start:start + job.size], media=job.media,
                               source=job.source, run=job.run, tip_mm=job.tip_mm)
        except BodyError as error:
            parts = packed((error.findings,))
        else:
            parts = packed(plain(n=found.n, parsed=found.parsed))
        if sum(map(len, parts)) > 2 * self._layout.limit:
            return Done(job.slot, [])
        at = self._layout.answer(job.slot)
        for part in parts:
            self._memory[at:at + len(part)] = part
            at += len(part)
        return Done(job.slot, [len(part) for part in parts])

    def serve(self, link: socket.socket) -> None:
        """Do jobs until the other end is gone."""
        decoder = msgspec.msgpack.Decoder(Job)
        link.send(READY)
        while data := link.recv(MESSAGE_BYTES):
            job = decoder.decode(data)
            try:
                done = self.do(job)
            except Exception:
                done = Done(job.slot, [])  # the parent meets the same, where it is heard
            link.send(msgspec.msgpack.encode(done))


def main() -> None:
    """`python -m service.ingest.beside SOCKET MEMORY LIMIT`: file descriptors and bytes."""
    # Ctrl-C reaches every process of a terminal; this one ends when its parent does.
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    keep_memory()
    fd, memory_fd, limit = map(int, sys.argv[1:])
    layout = Layout(limit)
    with socket.socket(fileno=fd) as link, mmap.mmap(memory_fd, layout.size) as memory:
        try:
            Worker(memory=memory, layout=layout).serve(link)
        except OSError:
            return  # the parent is gone


if __name__ == "__main__":
    main()
