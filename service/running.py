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
        self._sum: Sum | None = None
        self._through = 0
        self._pending: list[tuple[int, Stored]] = []
        self._waiting = 0
        self._recounts = 0
        self._asked = False

    def committed(self, *, stored: Stored, commit: int) -> None:
        """Remember what a commit added. Called on the writer thread."""
        with self._lock:
            if self._sum is None and not self._recounts:
                return  # nobody has asked: the chunks hold it all
            self._pending.append((commit, stored))
            self._waiting += len(stored.batch)
            if self._sum is not None and self._waiting > FOLD_FRUIT:
                self._fold()

    def value(self, *, reader: Reader) -> Sum:
        """The sum of every stored line fruit of the lot."""
        with self._lock:
            self._asked = True
            if self._sum is not None:
                return self._fold()
            self._recounts += 1  # from here on commits are remembered
        try:
            through, found = self._recount(reader)
            with self._lock:
                if self._sum is None:
                    self._sum, self._through = found, through
                return self._fold()
        finally:
            with self._lock:
                self._recounts -= 1
                if self._sum is None and not self._recounts:
                    self._let_go()  # it could not be read

    def rest(self) -> bool:
        """Let go of a sum that nobody has asked for since the last call, and say whether it was."""
        with self._lock:
            idle, self._asked = not self._asked, False
            if not idle or self._sum is None or self._recounts:
                return False
            self._let_go()
            return True

    def _let_go(self) -> None:
        self._sum = None
        self._pending.clear()
        self._waiting = 0

    def _recount(self, reader: Reader) -> tuple[int, Sum]:
        """(number of the commit counted up to, the sum), both of one committed state."""

        def count(conn: sqlite3.Connection) -> tuple[int, Sum]:
            (commit,) = conn.execute("SELECT commit_no FROM position").fetchone()
            total = self._empty()
            for chunk in chunk_rows(conn=conn, lot=self._lot, kind=LINE):
                batch, verdicts = chunk.decode()
                total = self._add(total, batch, verdicts)
            return commit, total

        return reader.read(count)

    def _fold(self) -> Sum:
        assert self._sum is not None
        # An addition takes its time whatever it holds, and a line sends a few fruit a second.
        waiting: dict[tuple[str, str], list[Stored]] = {}
        for commit, stored in self._pending:
            if commit > self._through:
                waiting.setdefault((stored.batch.source, stored.batch.run), []).append(stored)
        for parts in waiting.values():
            self._sum = self._add(
                self._sum, concat(batches=[p.batch for p in parts]),
                verdict_columns.concat(parts=[p.verdicts for p in parts]))
        self._pending.clear()
        self._waiting = 0
        return self._sum
