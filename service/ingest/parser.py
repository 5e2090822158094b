"""Bodies taken apart off the event loop: large ones in processes beside this one.

Where there is no such process (it starts, it died, it is not wanted) a body is taken apart here.
What comes of it is the same either way.
"""

from __future__ import annotations

import asyncio
import logging
import mmap
import os
import socket
import subprocess
import sys
from collections.abc import AsyncIterator, Awaitable, Callable, Iterator, Sequence
from contextlib import asynccontextmanager, contextmanager
from functools import partial
from typing import Any, Final

import msgspec

from grading.verdicts import Verdicts
from service.ingest.beside import (
    MESSAGE_BYTES,
    READY,
    SLOTS,
    Done,
    Job,
    Layout,
    Pack,
    unpacked,
)
from service.ingest.together import Together, parse_bodies
from service.store.chunks import VERDICT_DTYPES

APART_BYTES: Final = 16_384
"""Smaller bodies take less time here than on the way to another process and back."""
KEEP_BYTES: Final = 2**20
"""Slots that held more give their memory back."""
STARTS_MAX: Final = 3
"""In a row without a word from the process."""

_LOG: Final = logging.getLogger(__name__)
_DONE: Final = msgspec.msgpack.Decoder(Done)
Packing = Callable[[Verdicts], Awaitable[bytes | None]]
_Answer = tuple[bytearray, list[int]]
"""Pieces one after another (a pickle and its buffers, or a chunk), and how long each of them is."""


class Side:
    """One process beside this one. Used from one event loop."""

    def __init__(self, *, limit: int) -> None:
        self._layout = Layout(-(-limit // mmap.PAGESIZE) * mmap.PAGESIZE)
        self._starts = 0
        self._asked: dict[int, asyncio.Future[_Answer | None]] = {}
        self._taken: dict[int, int] = {}
        self._left: set[int] = set()
        self.ready = asyncio.Event()

    @property
    def busy(self) -> int:
        """How many slots are in use."""
        return len(self._taken)

    @property
    def pid(self) -> int:
        return self._process.pid

    def start(self) -> None:
        """It is used from when it says that it is `ready`."""
        self._starts += 1
        self._link, theirs = socket.socketpair(socket.AF_UNIX, socket.SOCK_SEQPACKET)
        memory = os.memfd_create("drupe-bodies")
        try:
            os.ftruncate(memory, self._layout.size)
            self._memory = mmap.mmap(memory, self._layout.size)
            self._process = subprocess.Popen(
                [sys.executable, "-m", "service.ingest.beside", str(theirs.fileno()), str(memory),
                 str(self._layout.limit)], pass_fds=(theirs.fileno(), memory),
                stdin=subprocess.DEVNULL)
        finally:
            os.close(memory)
            theirs.close()
        self._link.setblocking(False)
        asyncio.get_running_loop().add_reader(self._link.fileno(), self._hear)

    def stop(self) -> subprocess.Popen[bytes]:
        """End it; whoever waits for an answer is told that there is none."""
        self.ready.clear()
        if self._link.fileno() >= 0:
            asyncio.get_running_loop().remove_reader(self._link.fileno())
            self._link.close()
            self._memory.close()
        for slot in list(self._asked):
            self._answered(slot, None)
        return self._process

    def _answered(self, slot: int, found: _Answer | None) -> None:
        """A slot is free again only now, whether somebody still waits for the answer or not."""
        asked = self._asked.pop(slot)
        if not asked.done():
            asked.set_result(found)
        if slot in self._left:
            self._left.discard(slot)
            self._free(slot)

    def _hear(self) -> None:
        try:
            data = self._link.recv(MESSAGE_BYTES)
        except OSError:
            data = b""
        if data == READY:
            self._starts = 0
            self.ready.set()
        elif data:
            done = _DONE.decode(data)
            self._answered(done.slot, self._fetched(done) if done.parts else None)
        else:
            self._lost()

    def _fetched(self, done: Done) -> _Answer:
        at = self._layout.answer(done.slot)
        with memoryview(self._memory) as memory:
            return bytearray(memory[at:at + sum(done.parts)]), done.parts

    def _lost(self) -> None:
        _LOG.error("a process that takes bodies apart has ended")
        self.stop().wait()  # its end of the socket is closed, so it is on its way out
        if self._starts < STARTS_MAX:
            self.start()

    @contextmanager
    def slot(self, *, size: int) -> Iterator[int | None]:
        """A slot for bodies of some bytes in all, until the end; None if they have no room."""
        if size > self._layout.limit or self.busy == SLOTS:
            yield None
            return
        slot = next(k for k in range(SLOTS) if k not in self._taken)
        self._taken[slot] = size
        try:
            yield slot
        finally:
            if slot in self._asked:
                self._left.add(slot)
            else:
                self._free(slot)

    def _free(self, slot: int) -> None:
        if self._taken.pop(slot) > KEEP_BYTES and self.ready.is_set():
            self._memory.madvise(
                mmap.MADV_REMOVE, self._layout.bodies(slot), 3 * self._layout.limit)

    async def ask(self, job: Job | Pack, pieces: Sequence[Any]) -> _Answer | None:
        """What it makes of pieces of memory; None if it makes nothing of them."""
        asked: asyncio.Future[_Answer | None] = asyncio.get_running_loop().create_future()
        self._asked[job.slot] = asked
        at = self._layout.bodies(job.slot)
        for piece in pieces:
            self._memory[at:at + len(piece)] = piece
            at += len(piece)
        try:
            self._link.send(msgspec.msgpack.encode(job))
        except OSError:
            self._answered(job.slot, None)
        return await asked

    async def pack(self, slot: int, verdicts: Verdicts) -> bytes | None:
        """The chunk of the fruit that were taken apart in a slot; None if it makes none."""
        columns = [getattr(verdicts, name).astype(dtype, copy=False).tobytes()
                   for name, dtype in VERDICT_DTYPES.items()]
        if not self.ready.is_set():
            return None
        # 9 bytes a fruit have room where the bodies lay: 26 and more had, twice over, beside them.
        found = await self.ask(Pack(slot, len(verdicts)), columns)
        return None if found is None else bytes(found[0])


class Parser:
    """Takes bodies apart. Without `start` everything happens here.

    room: to be had by whoever asks for large bodies, which meanwhile may gather.
    """

    def __init__(self, *, limit: int) -> None:
        self._limit = limit
        self._sides: list[Side] = []
        self.room = asyncio.Semaphore(1)

    def start(self, *, processes: int) -> None:
        """Start as many processes beside this one."""
        self._sides = [Side(limit=self._limit) for _ in range(processes)]
        self.room = asyncio.Semaphore(processes * SLOTS)
        for side in self._sides:
            side.start()

    async def ready(self) -> None:
        """Wait until all of them can be asked."""
        for side in self._sides:
            await side.ready.wait()

    async def stop(self) -> None:
        """End them."""
        for process in [side.stop() for side in self._sides]:
            await asyncio.to_thread(process.wait)
        self._sides = []

    @property
    def pids(self) -> list[int]:
        """The processes beside this one."""
        return [side.pid for side in self._sides]

    @asynccontextmanager
    async def parsed(
        self, *, bodies: Sequence[bytes], media: str, source: str, run: str,
        tip_mm: float | None = None,
    ) -> AsyncIterator[tuple[Together | None, Packing | None]]:
        """As `parse_bodies`; and what makes a chunk of the fruit in the other process, given their
        verdicts, where there is one with time for it."""
        size = sum(map(len, bodies))
        sides = [side for side in self._sides if side.ready.is_set()]
        if sides and size >= APART_BYTES:
            side = min(sides, key=lambda side: side.busy)
            with side.slot(size=size) as slot:
                found = None if slot is None else await side.ask(
                    Job(slot, [len(body) for body in bodies], media, source, run, tip_mm), bodies)
                if slot is not None and found is not None:
                    # Text keeps the other process busy enough.
                    yield (unpacked(whole=found[0], parts=found[1], source=source, run=run),
                           partial(side.pack, slot) if media == "arrow" else None)
                    return
        yield parse_bodies(
            bodies=bodies, media=media, source=source, run=run, tip_mm=tip_mm), None


@asynccontextmanager
async def beside(parser: Parser, *, processes: int) -> AsyncIterator[None]:
    """The parser's own processes while the service runs."""
    if processes:
        parser.start(processes=processes)
    try:
        yield
    finally:
        await parser.stop()
