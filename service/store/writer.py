"""The one thread that writes: a bounded queue, group commit, and answers only after the commit.

While one group is being synced the next one gathers, so a slow disk makes larger groups instead
of a longer queue. A promise is kept or the process ends: after a failed sync nobody can know
what the disk holds (the kernel may have dropped the pages), so it is never retried.
"""

from __future__ import annotations

import dataclasses
import logging
import os
import sqlite3
import sys
import threading
import time
from collections import deque
from collections.abc import Callable
from concurrent.futures import Future
from dataclasses import dataclass
from typing import Any, Final, NoReturn, TypeVar

from grading.record import FruitBatch
from grading.verdicts import Verdicts
from service.priority import yield_to_fruit
from service.store.chunks import CHUNK_FRUIT
from service.store.errors import QueueFull, StorageFailed, StorageFull, StoreClosed
from service.store.group import Group, Receipt, Stored, Submission
from service.store.keys import Keys

T = TypeVar("T")
OnCommit = Callable[[list[Stored]], None]

QUEUE_FRUIT: Final = 200_000
GROUP_FRUIT: Final = 32_768
BULK_FRUIT: Final = 256
GATHER_S: Final = 0.003
CHECKPOINT_BYTES: Final = 8 * 2**20
EXIT_STORAGE: Final = 74  # EX_IOERR of sysexits.h

_LOG: Final = logging.getLogger(__name__)
_BASE_BYTES: Final = 32_768  # what a commit writes besides its chunks, roughly
_FATAL: Final = {
    sqlite3.SQLITE_IOERR, sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB,
    sqlite3.SQLITE_READONLY, sqlite3.SQLITE_CANTOPEN,
}
_PASSING: Final = {sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED, sqlite3.SQLITE_NOMEM}


def end_process(message: str) -> NoReturn:
    """One line on standard error, then out at once: no handler may acknowledge anything more."""
    print(f"drupe: {message}", file=sys.stderr, flush=True)
    os._exit(EXIT_STORAGE)


@dataclass(frozen=True, slots=True)
class _Call:
    fn: Callable[[sqlite3.Connection], Any]


@dataclass(frozen=True, slots=True)
class _Item:
    work: Submission | _Call
    future: Future[Any]

    def weight(self) -> int:
        return max(1, len(self.work.batch)) if isinstance(self.work, Submission) else 1


class Writer:
    """Owns the only connection that writes.

    conn: opened with isolation_level=None and check_same_thread=False, schema up to date.
    queue_fruit: how many fruit may wait. log_bytes: what a killed process left in the log.
    fatal: called once with one line when a promise can no longer be kept; must not return in
    production. `on_commit` functions are called in order on the writer thread after each commit
    that stored fruit, before anybody is answered. commit_s: seconds that the last commit took,
    its sync included.
    """

    def __init__(
        self,
        *,
        conn: sqlite3.Connection,
        queue_fruit: int = QUEUE_FRUIT,
        log_bytes: int = 0,
        fatal: Callable[[str], object] = end_process,
    ) -> None:
        self.on_commit: list[OnCommit] = []
        self.commit_s = 0.0
        self._conn = conn
        self._limit = queue_fruit
        self._fatal = fatal
        self._keys = Keys(conn=conn)
        self._commit_no = int(conn.execute("SELECT commit_no FROM position").fetchone()[0])
        self._queue: deque[_Item] = deque()
        self._queued = 0
        self._ready = threading.Condition()
        self._open = True
        self._dead = False
        self._since_checkpoint = log_bytes
        self._failures = 0
        # Commits never checkpoint by themselves: SQLite swallows a failed sync of that kind.
        conn.execute("PRAGMA wal_autocheckpoint = 0")
        self._thread = threading.Thread(target=self._work, name="store-writer", daemon=True)

    @property
    def commit_no(self) -> int:
        """The number of the last commit that changed something."""
        return self._commit_no

    @property
    def failures(self) -> int:
        """How many commits storage has not taken since the start."""
        return self._failures

    @property
    def waiting_fruit(self) -> int:
        """How many fruit wait in the queue now."""
        return self._queued

    def start(self) -> None:
        self._thread.start()

    def stop(self) -> None:
        """Takes nothing new, finishes what waits, then ends the thread."""
        with self._ready:
            self._open = False
            self._ready.notify_all()
        if self._thread.ident is not None and self._thread is not threading.current_thread():
            self._thread.join()

    def submit(
        self,
        *,
        lot: str,
        kind: str,
        batch: FruitBatch,
        verdicts: Verdicts,
        digest: str,
        received_ms: int,
        chunk: bytes | None = None,
        leave: int = 0,
    ) -> Future[Receipt]:
        """Hands graded fruit over; the future has a receipt once they are on the disk. chunk: how
        they are encoded, if that was done already. leave: room in the queue that is kept free for
        others.

        Raises QueueFull or StoreClosed at once. The future may fail with StorageFull (send again
        when there is space) or StorageFailed. The arrays must not be changed afterwards.
        """
        if len(batch) != len(verdicts):
            raise ValueError(f"{len(batch)} fruit with {len(verdicts)} verdicts")
        return self._put(Submission(lot, kind, batch, verdicts, digest, received_ms, chunk),
                         leave=leave)

    def run(self, fn: Callable[[sqlite3.Connection], T]) -> Future[T]:
        """Runs fn on the writer thread inside the group's transaction, in its own savepoint.

        It sees everything handed over before it. If it raises, only its own changes are undone
        and only its future fails. It must not begin, commit or roll back.
        """
        return self._put(_Call(fn))

    def _put(self, work: Submission | _Call, *, leave: int = 0) -> Future[Any]:
        item = _Item(work, Future())
        weight = item.weight()
        with self._ready:
            if not self._open:
                raise StoreClosed("the store is closed")
            # A single body larger than the whole queue still gets through an empty one.
            if self._queued and self._queued + weight + leave > self._limit:
                raise QueueFull(f"{self._queued} fruit wait for the disk, limit {self._limit}")
            self._queue.append(item)
            self._queued += weight
            self._ready.notify()
        return item.future

    def _take(self) -> list[_Item]:
        with self._ready:
            while not self._queue and self._open:
                self._ready.wait()
            self._gather()
            taken: list[_Item] = []
            weight = 0
            while self._queue and (not taken or weight + self._queue[0].weight() <= GROUP_FRUIT):
                item = self._queue.popleft()
                weight += item.weight()
                if item.future.set_running_or_notify_cancel():
                    taken.append(item)
            self._queued -= weight
            return taken

    def _gather(self) -> None:
        """Bodies of many fruit rarely come alone, and one commit for several of them costs little
        more than one for each. Single fruit, whose senders wait, are never held up."""
        until = time.monotonic() + GATHER_S
        while self._open and BULK_FRUIT <= self._queued < CHUNK_FRUIT:
            left = until - time.monotonic()
            if left <= 0 or not self._ready.wait(left):
                return

    def _work(self) -> None:
        yield_to_fruit()
        try:
            while not self._dead:
                items = self._take()
                if items:
                    self._commit(items)
                    self._checkpoint()
                elif not self._open and not self._queue:
                    return
        except BaseException as e:
            # Whatever this is, nobody would be answered from here on.
            _LOG.exception("the store's writer failed")
            self._die(f"the store's writer failed: {e!r}", [])

    def _commit(self, items: list[_Item]) -> None:
        group = Group(conn=self._conn, keys=self._keys, commit=self._commit_no + 1)
        started = time.perf_counter()
        try:
            self._conn.execute("BEGIN IMMEDIATE")
            answers = self._fill(group, items)
        except Exception as e:
            self._undo(e, group, items)
            return
        self.commit_s = time.perf_counter() - started
        for told in self.on_commit if group.stored else ():
            try:
                told(group.stored)
            except Exception:
                _LOG.exception("on_commit failed; the fruit are stored")
        for item, (answer, error) in zip(items, answers, strict=True):
            if error is not None:
                item.future.set_exception(error)
            else:
                item.future.set_result(answer)

    def _fill(
        self, group: Group, items: list[_Item]
    ) -> list[tuple[Any, Exception | None]]:
        """The group's work up to and including COMMIT; answers in order of the items."""
        changes = self._conn.total_changes
        answers: list[tuple[Any, Exception | None]] = []
        for item in items:
            if isinstance(item.work, Submission):
                answers.append((group.judge(submission=item.work), None))
            else:
                group.write()
                answers.append(self._call(item.work.fn))
        group.write()
        if self._conn.total_changes == changes:
            # Only repeats: they were durable before, so there is nothing to sync.
            self._conn.execute("COMMIT")
            return [
                (dataclasses.replace(a, commit=self._commit_no) if isinstance(a, Receipt) else a, e)
                for a, e in answers
            ]
        self._conn.execute("UPDATE position SET commit_no = ?", (self._commit_no + 1,))
        self._conn.execute("COMMIT")
        self._commit_no += 1
        self._since_checkpoint += group.written_bytes + _BASE_BYTES
        return answers

    def _call(self, fn: Callable[[sqlite3.Connection], Any]) -> tuple[Any, Exception | None]:
        self._conn.execute("SAVEPOINT call")
        try:
            answer = fn(self._conn)
        except Exception as e:
            storage = isinstance(e, sqlite3.Error) and _primary(e) in (
                _FATAL | _PASSING | {sqlite3.SQLITE_FULL}
            )
            if storage or not self._conn.in_transaction:
                raise  # The whole group is lost, not only this.
            self._conn.execute("ROLLBACK TO call")
            self._conn.execute("RELEASE call")
            return None, e
        self._conn.execute("RELEASE call")
        return answer, None

    def _undo(self, error: Exception, group: Group, items: list[_Item]) -> None:
        code = _primary(error)
        if code in _FATAL and not _no_space(error):
            self._die(f"storage failed, stopping: {error} ({_code_name(error)})", items)
            return
        if self._conn.in_transaction:
            self._conn.execute("ROLLBACK")
        for source, run in group.touched:
            self._keys.reload(source=source, run=run)
        if code == sqlite3.SQLITE_FULL or _no_space(error):
            failure: Exception = StorageFull("the disk is full; nothing of this was kept")
        elif code in _PASSING:
            failure = StorageFailed(f"the database did not take it: {error}")
        elif len(items) > 1:
            # One of them is at fault; alone it fails alone.
            for item in items:
                if self._dead:
                    item.future.set_exception(StorageFailed("storage failed"))
                else:
                    self._commit([item])
            return
        else:
            failure = error
        if isinstance(failure, StorageFull | StorageFailed):
            self._failures += 1
        for item in items:
            item.future.set_exception(failure)

    def _checkpoint(self) -> None:
        """Moves the log into the database now and then, after everybody was answered."""
        if self._since_checkpoint < CHECKPOINT_BYTES or not self._open:
            return
        self._since_checkpoint = 0
        try:
            self._conn.execute("PRAGMA wal_checkpoint(PASSIVE)").fetchall()
        except sqlite3.Error as e:
            if _primary(e) in _FATAL and not _no_space(e):
                self._die(f"storage failed, stopping: {e} ({_code_name(e)})", [])
            else:
                _LOG.warning("checkpoint put off: %s", e)

    def _die(self, message: str, items: list[_Item]) -> None:
        self._fatal(message)
        with self._ready:
            self._open = False
            self._dead = True
            left = [*items, *self._queue]
            self._queue.clear()
            self._queued = 0
        for item in left:
            if not item.future.done():
                item.future.set_exception(StorageFailed(message))


def _primary(error: Exception) -> int:
    return int(getattr(error, "sqlite_errorcode", 0)) & 0xFF


def _no_space(error: Exception) -> bool:
    # The shared-memory file beside the log reports a full disk in its own way.
    return getattr(error, "sqlite_errorcode", 0) == sqlite3.SQLITE_IOERR_SHMSIZE


def _code_name(error: Exception) -> str:
    return str(getattr(error, "sqlite_errorname", type(error).__name__))
