"""A sum over the line fruit of a lot: rebuilt from the chunks when first asked for, and then
extended by every commit before its fruit are acknowledged, so what is acknowledged is in it and
nothing on the disk can disagree with the fruit. What nobody asks for any more is let go."""

from __future__ import annotations

import sqlite3
import threading
from collections.abc import Callable
from typing import Final, Generic, TypeVar

from grading import verdicts as verdict_columns
from grading.record import FruitBatch, concat
from grading.verdicts import Verdicts
from service.priority import let_fruit_pass
from service.store.group import LINE, Stored
from service.store.reader import Reader, chunk_rows

Sum = TypeVar("Sum")

FOLD_FRUIT: Final = 50_000
"""Pending fruit above which a commit adds them by itself."""


class Running(Generic[Sum]):
    """`empty` makes the sum of no fruit; `add` gives a sum with a batch of graded fruit added
    (it may change the one it is given)."""

    def __init__(
        self, *, lot: str, empty: Callable[[], Sum],
        add: Callable[[Sum, FruitBatch, Verdicts], Sum],
    ) -> None:
        self._lot = lot
        self._empty = empty
        self._add = add
        self._lock = threading.Lock()
        self._folding = threading.Lock()  # taken before `_lock`, which nobody holds for long
        self._sum: Sum | None = None
        self._through = 0
        self._pending: list[tuple[int, Stored]] = []
        self._waiting = 0
        self._recounts = 0
        self._dropped = 0
        self._asked = False

    def committed(self, *, stored: Stored, commit: int) -> None:
        """Remember what a commit added. Called on the writer thread, which never waits here for
        somebody who is counting."""
        with self._lock:
            if self._sum is None and not self._recounts:
                return  # nobody has asked: the chunks hold it all
            self._pending.append((commit, stored))
            self._waiting += len(stored.batch)
            many = self._sum is not None and self._waiting > FOLD_FRUIT
        if many and self._folding.acquire(blocking=False):
            try:
                if self._sum is not None:
                    self._fold()
            finally:
                self._folding.release()

    def value(self, *, reader: Reader) -> Sum:
        """The sum of every stored line fruit of the lot."""
        while True:
            with self._folding:
                with self._lock:
                    self._asked = True
                    known, dropped = self._sum is not None, self._dropped
                    self._recounts += not known  # from here on commits are remembered
                if known:
                    return self._fold()
            try:
                through, found = self._recount(reader)
                with self._folding:
                    if self._sum is None and self._dropped == dropped:
                        self._sum, self._through = found, through
                    if self._sum is not None:
                        return self._fold()
            finally:
                with self._lock:
                    self._recounts -= 1
                    if self._sum is None and not self._recounts:
                        self._let_go()  # it could not be read

    def rest(self) -> bool:
        """Let go of a sum that nobody has asked for since the last call, and say whether it was."""
        with self._folding, self._lock:
            idle, self._asked = not self._asked, False
            if not idle or self._sum is None or self._recounts:
                return False
            self._let_go()
            return True

    def _let_go(self) -> None:
        """Whoever counts meanwhile does so again: what was remembered for them is gone."""
        self._dropped += 1
        self._sum = None
        self._pending.clear()
        self._waiting = 0

    def _recount(self, reader: Reader) -> tuple[int, Sum]:
        """(number of the commit counted up to, the sum), both of one committed state."""

        def count(conn: sqlite3.Connection) -> tuple[int, Sum]:
            (commit,) = conn.execute("SELECT commit_no FROM position").fetchone()
            total = self._empty()
            for chunk in chunk_rows(conn=conn, lot=self._lot, kind=LINE):
                let_fruit_pass()
                batch, verdicts = chunk.decode()
                total = self._add(total, batch, verdicts)
            return commit, total

        return reader.read(count)

    def _fold(self) -> Sum:
        """Add what waits. `_folding` is held."""
        total = self._sum
        assert total is not None
        with self._lock:
            pending, self._pending, self._waiting = self._pending, [], 0
        # An addition takes its time whatever it holds, and a line sends a few fruit a second.
        waiting: dict[tuple[str, str], list[Stored]] = {}
        for commit, stored in pending:
            if commit > self._through:
                waiting.setdefault((stored.batch.source, stored.batch.run), []).append(stored)
        try:
            for parts in waiting.values():
                let_fruit_pass()
                total = self._add(
                    total, concat(batches=[p.batch for p in parts]),
                    verdict_columns.concat(parts=[p.verdicts for p in parts]))
        except BaseException:
            with self._lock:
                self._let_go()  # what was taken is in no sum
            raise
        self._sum = total
        return total
