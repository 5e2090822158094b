"""Refused records, kept with the reason until a person mends or dismisses them."""

from __future__ import annotations

import sqlite3
import threading
from collections.abc import Callable, Mapping
from concurrent.futures import Future

from grading.errors import Finding
from service.ingest.parse import Texts
from service.metrics import Metrics
from service.problems import finding_json
from service.store.quarantine import Quarantined, insert_quarantined
from service.store.writer import Writer

DAY_MS = 86_400_000
RAW_BYTES = 16_384
"""Of a refused record, or of a body that could not be read, as many bytes are kept."""


OnRefused = Callable[[str, Mapping[int, tuple[Finding, ...]]], None]


class Quarantine:
    """Keeps at most `per_day` refused records a day (UTC); the others are only counted.

    `on_refused` functions are told the source and the findings of every body.
    """

    def __init__(self, *, writer: Writer, metrics: Metrics, per_day: int) -> None:
        self._writer = writer
        self._metrics = metrics
        self._per_day = per_day
        self._lock = threading.Lock()
        self._day = 0
        self._kept_today = 0
        self.on_refused: list[OnRefused] = []

    def used(self, *, now_ms: int) -> float:
        """The part of the day's limit that is used up; 0 where nothing may be kept."""
        if now_ms // DAY_MS != self._day or not self._per_day:
            return 0.0
        return self._kept_today / self._per_day

    def _room(self, *, wanted: int, received_ms: int) -> int:
        """How many of the wanted may be kept; they are counted as if they were."""
        day = received_ms // DAY_MS
        with self._lock:
            if day != self._day:
                self._day, self._kept_today = day, 0
            room = max(0, min(wanted, self._per_day - self._kept_today))
            self._kept_today += room
        return room

    def _hand_over(
        self, insert: Callable[[sqlite3.Connection], None], *, room: int, dropped: int,
        received_ms: int,
    ) -> Future[None]:
        """Into the store. What it does not take will come again and must not use up the day."""

        def settled(future: Future[None]) -> None:
            if future.cancelled() or future.exception() is not None:
                give_back()
            else:
                self._metrics.quarantined.inc(room)
                self._metrics.quarantine_dropped.inc(dropped)

        def give_back() -> None:
            with self._lock:
                if received_ms // DAY_MS == self._day:
                    self._kept_today -= room

        try:
            future = self._writer.run(insert)
        except Exception:
            give_back()
            raise
        future.add_done_callback(settled)
        return future

    def keep(
        self, *, body: Texts, refused: Mapping[int, tuple[Finding, ...]], source: str, run: str,
        lot: str, received_ms: int,
    ) -> Future[None]:
        """Store the refused records of a body; the future resolves once they are on the disk."""
        for tell in self.on_refused:
            tell(source, refused)
        room = self._room(wanted=len(refused), received_ms=received_ms)
        positions = sorted(refused)[:room]
        entries = [
            (position, body.seq(position), body.raw(position)[:RAW_BYTES],
             [finding_json(f) for f in refused[position]])
            for position in positions
        ]

        def insert(conn: sqlite3.Connection) -> None:
            for position, seq, raw, findings in entries:
                insert_quarantined(conn, record=Quarantined(
                    received_ms=received_ms, source=source, run=run, lot=lot, position=position,
                    seq=seq, raw=raw, findings=findings))

        return self._hand_over(insert, room=room, dropped=len(refused) - room,
                               received_ms=received_ms)

    def keep_body(
        self, *, raw: bytes, findings: tuple[Finding, ...], source: str, run: str, lot: str,
        received_ms: int,
    ) -> Future[None]:
        """Store the beginning of a body that could not be read at all, at position -1."""
        room = self._room(wanted=1, received_ms=received_ms)

        def insert(conn: sqlite3.Connection) -> None:
            if room:
                insert_quarantined(conn, record=Quarantined(
                    received_ms=received_ms, source=source, run=run, lot=lot, position=-1,
                    raw=raw[:RAW_BYTES], findings=[finding_json(f) for f in findings]))

        return self._hand_over(insert, room=room, dropped=1 - room, received_ms=received_ms)
