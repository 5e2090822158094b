"""The process beside the service that takes bulk bodies apart, and the memory they share.

Bodies lie in a slot of shared memory; a few bytes over a socket say where. What was made of them
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
import numpy as np

from grading.columns import Parsed
from grading.record import Column, FruitBatch
from grading.verdicts import Verdicts
from service.ingest.together import Place, Together, parse_bodies
from service.memory import keep_memory, spare_garbage
from service.store.chunks import VERDICT_DTYPES, encode, whole_chunk

SLOTS: Final = 2
MESSAGE_BYTES: Final = 4096
READY: Final = b"ready"


class Job(msgspec.Struct, array_like=True, tag="parse"):
    """Bodies of `sizes` bytes in a slot, and what else `parse_bodies` is given."""

    slot: int
    sizes: list[int]
    media: str
    source: str
    run: str
    tip_mm: float | None


class Pack(msgspec.Struct, array_like=True, tag="pack"):
    """Of the job before in a slot, make the chunk; the verdicts of its n fruit lie where the bodies
    lay, column by column."""

    slot: int
    n: int


class Done(msgspec.Struct, array_like=True):
    """What a job came to: `parts`, the lengths of a pickle and its buffers one after another in
    the slot. Empty: it has no room there, or failed, and is to be done by whoever asked."""

    slot: int
    parts: list[int]


@dataclass(frozen=True, slots=True)
class Layout:
    """Where things lie: a slot is bodies of up to `limit` bytes in all, then what was made of
    them, up to twice as long."""

    limit: int

    @property
    def size(self) -> int:
        return 3 * self.limit * SLOTS

    def bodies(self, slot: int) -> int:
        return 3 * self.limit * slot

    def answer(self, slot: int) -> int:
        return 3 * self.limit * slot + self.limit


def packed(found: object) -> list[Any]:
    """A pickle and its buffers."""
    buffers: list[pickle.PickleBuffer] = []
    head = pickle.dumps(found, protocol=5, buffer_callback=buffers.append)
    return [head, *(buffer.raw() for buffer in buffers)]


def plain(*, found: Together) -> tuple[Any, ...]:
    """What `unpacked` gives back, without classes, which take long to pickle."""
    parsed = found.parsed
    b = parsed.batch
    return (
        [(p.first, p.n, p.wrong) for p in found.places],
        b.seq, b.lane, b.time_ms.values, b.time_ms.present,
        [(k, c.values, c.present) for k, c in b.measures.items()],
        [(k, c.values, c.present) for k, c in b.originals.items()],
        dict(b.defects), dict(b.judged), parsed.kept, dict(parsed.refused))


def unpacked(*, whole: bytearray, parts: list[int], source: str, run: str) -> Together:
    """What was packed, its arrays in `whole`."""
    view, at, pieces = memoryview(whole), 0, []
    for size in parts:
        pieces.append(view[at:at + size])
        at += size
    (places, seq, lane, times, dated, measures, originals, defects, judged, kept,
     refused) = pickle.loads(pieces[0], buffers=pieces[1:])
    batch = FruitBatch(
        source=source, run=run, seq=seq, lane=lane, time_ms=Column(times, dated),
        measures={k: Column(v, p) for k, v, p in measures},
        originals={k: Column(v, p) for k, v, p in originals}, defects=defects, judged=judged)
    return Together(tuple(Place(*p) for p in places), Parsed(batch, kept, refused))


class Worker:
    """What the other process does with its jobs."""

    def __init__(self, *, memory: mmap.mmap, layout: Layout) -> None:
        self._memory = memory
        self._layout = layout
        self._batches: dict[int, FruitBatch] = {}

    def do(self, job: Job) -> Done:
        """Take bodies apart; the slot holds what they came to."""
        self._batches.pop(job.slot, None)
        at, bodies = self._layout.bodies(job.slot), []
        for size in job.sizes:
            bodies.append(self._memory[at:at + size])
            at += size
        found = parse_bodies(bodies=bodies, media=job.media, source=job.source, run=job.run,
                             tip_mm=job.tip_mm)
        if found is None:
            return Done(job.slot, [])
        if whole_chunk(n=len(found.parsed.batch)):
            self._batches[job.slot] = found.parsed.batch
        return self._told(job.slot, packed(plain(found=found)))

    def pack(self, job: Pack) -> Done:
        """Make the chunk of what was taken apart last."""
        at, columns = self._layout.bodies(job.slot), {}
        for name, dtype in VERDICT_DTYPES.items():
            columns[name] = np.frombuffer(self._memory, dtype, job.n, at)
            at += columns[name].nbytes
        chunk = encode(batch=self._batches.pop(job.slot), verdicts=Verdicts(**columns))
        return self._told(job.slot, [chunk])

    def _told(self, slot: int, parts: list[Any]) -> Done:
        if sum(map(len, parts)) > 2 * self._layout.limit:
            return Done(slot, [])
        at = self._layout.answer(slot)
        for part in parts:
            self._memory[at:at + len(part)] = part
            at += len(part)
        return Done(slot, [len(part) for part in parts])

    def serve(self, link: socket.socket) -> None:
        """Do jobs until the other end is gone."""
        decoder = msgspec.msgpack.Decoder(Job | Pack)
        link.send(READY)
        while data := link.recv(MESSAGE_BYTES):
            job = decoder.decode(data)
            try:
                done = self.do(job) if isinstance(job, Job) else self.pack(job)
            except Exception:
                done = Done(job.slot, [])  # the parent meets the same, where it is heard
            link.send(msgspec.msgpack.encode(done))


def main() -> None:
    """`python -m service.ingest.beside SOCKET MEMORY LIMIT`: file descriptors and bytes."""
    # Ctrl-C reaches every process of a terminal; this one ends when its parent does.
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    keep_memory()
    spare_garbage()
    fd, memory_fd, limit = map(int, sys.argv[1:])
    layout = Layout(limit)
    with socket.socket(fileno=fd) as link, mmap.mmap(memory_fd, layout.size) as memory:
        try:
            Worker(memory=memory, layout=layout).serve(link)
        except OSError:
            return  # the parent is gone


if __name__ == "__main__":
    main()
