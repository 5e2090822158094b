"""A stream of fruit from one source: each is answered at once and committed a moment later.

Pure of the transport: frames go in, answers and news come out. A fruit is graded by itself for
the drop on the line. What is stored is graded again with its batch (`owed`), and should the two
ever differ, the client is told.
"""

from __future__ import annotations

import asyncio
import time
from collections.abc import Callable
from typing import Final

import msgspec

from grading.columns import to_batch, unix_ms
from grading.errors import Finding
from grading.kernel import Compiled
from grading.reasons import Reason
from grading.record import FruitRecord
from grading.single import Single
from grading.walk import Outcome
from service.binding import Origin, known_lanes
from service.context import Context
from service.ingest.faults import BodyError
from service.ingest.frames import Sent, is_array, read_json, read_packed, records_of
from service.lines import MovedCut
from service.lots import LotState
from service.owed import Owed, error_frame
from service.problems import Problem, finding_json
from service.store.seqs import SeqSet

WINDOW: Final = 8192
"""Fruit that may wait for the disk before no more are read."""
SLICE_FRUIT: Final = 64
"""Fruit of an array that are answered before other streams get their turn."""
GAPS_TOLD: Final = 100
TIMED: Final = 32
"""One frame in so many is timed: a look at the clock and a bucket cost a tenth of an answer."""

_JSON: Final = msgspec.json.Encoder()
_PACKED: Final = msgspec.msgpack.Encoder()
_NOT_A_NUMBER: Final = Finding(
    "", "not_a_number", "A reading is not a number.", "Leave it out when it was not measured.")


class Grader:
    """A lot's standard for one fruit at a time, and the texts of its answers."""

    def __init__(self, *, compiled: Compiled, tip_mm: float | None) -> None:
        self.grade = Single(compiled=compiled, tip_mm=tip_mm).grade
        self._compiled = compiled
        self._json: dict[Outcome, bytes] = {}
        self._packed: dict[Outcome, tuple[bytes, bytes]] = {}

    def json(self, seq: int, outcome: Outcome) -> bytes:
        tail = self._json.get(outcome)
        if tail is None:
            tail = self._json[outcome] = b"," + _JSON.encode(self._names(outcome))[1:]
        return b'{"seq":%d%b' % (seq, tail)

    def packed(self, seq: int, outcome: Outcome) -> bytes:
        found = self._packed.get(outcome)
        if found is None:
            # A small map begins with a byte that counts its pairs.
            whole = _PACKED.encode({"seq": 0, **self._names(outcome)})
            found = self._packed[outcome] = (whole[:5], whole[6:])
        return b"%b%b%b" % (found[0], _PACKED.encode(seq), found[1])

    def _names(self, outcome: Outcome) -> dict[str, str]:
        rules, reason = self._compiled, Reason(outcome.decisive)
        names = {"size": rules.size_names[outcome.size],
                 "maturity": rules.maturity_names[outcome.maturity],
                 "grade": rules.grade_names[outcome.grade],
                 "pack": rules.pack_names[outcome.pack]}
        if reason is not Reason.NONE:
            names["decisive"] = reason.word
        return names


class Session:
    """One open stream. Used from the event loop only.

    due: asks for a flush, see `owed.Owed`. packed: whether the client speaks MessagePack, as its
    latest frame did.
    """

    def __init__(
        self, *, ctx: Context, origin: Origin, due: Callable[[bool], None], window: int = WINDOW
    ) -> None:
        self.origin, self.window = origin, window
        self.packed = False
        self.owed = Owed(road=ctx.road, quarantine=ctx.quarantine, metrics=ctx.metrics,
                         clock=ctx.clock, origin=origin, due=due)
        self._road, self._metrics = ctx.road, ctx.metrics
        self._lanes = origin.registered.is_.lanes if origin.registered else 255
        self._graders: dict[Compiled, Grader] = {}
        self._lot: LotState | None = None
        self._line, self._clock = origin.line, ctx.clock
        self._cut: MovedCut | None = None
        self._grader: Grader
        self._frames = 0

    def hello(self, *, seqs: SeqSet) -> bytes:
        """The first frame. seqs: what is stored of the run."""
        return _JSON.encode({"hello": {
            "source": self.origin.source, "run": self.origin.run, "committed": seqs.highest,
            "gaps": seqs.gaps()[-GAPS_TOLD:], "window": self.window}})

    def answer_one(self, *, frame: str | bytes, packed: bool) -> bytes | None:
        """The answer to a frame of one plain fruit; None for any other, which `answer` takes."""
        self._frames += 1
        if self._frames % TIMED:
            return self._answer_one(frame, packed)
        started = time.perf_counter()
        found = self._answer_one(frame, packed)
        self._metrics.stream_seconds.observe(time.perf_counter() - started)
        return found

    def _answer_one(self, frame: str | bytes, packed: bool) -> bytes | None:
        self.packed = packed
        record = read_packed(frame) if packed else read_json(frame)  # type: ignore[arg-type]
        outcome = None if record is None else self._grade(record)
        if record is None or outcome is None:
            return None
        grader = self._grader
        return grader.packed(record.seq, outcome) if packed else grader.json(record.seq, outcome)

    async def answer(self, *, frame: str | bytes, packed: bool) -> bytes:
        """The answer to any frame, in its kind."""
        self.packed = packed
        raw = frame.encode("utf-8", "replace") if isinstance(frame, str) else frame
        try:
            sent = records_of(frame=raw, packed=packed)
        except BodyError as error:
            self._metrics.bodies_refused.inc()
            self.owed.refuse(sent=Sent(raw, None, None, error.findings))
            return self.in_kind(error_frame(Problem(
                status=400, code="frame", detail="The frame cannot be read as records.",
                findings=error.findings)))
        answers = []
        for number, one in enumerate(sent, start=1):
            answers.append(self._answer_to(one))
            if number % SLICE_FRUIT == 0:
                await asyncio.sleep(0)
        array = is_array(frame=raw, packed=packed)
        return self.in_kind(b"[" + b",".join(answers) + b"]" if array else answers[0])

    def in_kind(self, text: bytes) -> bytes:
        """JSON text as the client speaks."""
        return _PACKED.encode(msgspec.json.decode(text)) if self.packed else text

    def _answer_to(self, sent: Sent) -> bytes:
        record, findings = sent.record, sent.findings
        if record is not None:
            outcome = self._grade(record)
            if outcome is not None:
                return self._grader.json(record.seq, outcome)
            findings = self._why(record)
        self.owed.refuse(sent=Sent(sent.raw, sent.seq, None, findings))
        return _JSON.encode({"seq": sent.seq, "outcome": "refused",
                             "errors": [finding_json(f) for f in findings]})

    def _grade(self, record: FruitRecord) -> Outcome | None:
        """Grade a fruit and owe it; None where it is to be refused."""
        lot = self.origin.lot
        if lot is None:
            lot = self._road.lot_for(
                origin=self.origin, seq=record.seq,
                time_ms=_time_ms(record) if self.origin.trusted else None)
        line = self._line
        cut = None if line is None or line.cut is None else line.cut_at(
            received_ms=self._clock.now_ms())
        if lot is not self._lot or cut is not self._cut:
            self._turn_to(lot, cut)
        outcome = self._grader.grade(record=record)
        if outcome is None or (record.lane is not None and record.lane > self._lanes):
            return None
        self.owed.hold(record=record, given=outcome, lot=lot)
        return outcome

    def _turn_to(self, lot: LotState, cut: MovedCut | None) -> None:
        compiled = (lot.binding if cut is None else cut.rule(lot=lot)).compiled
        if compiled not in self._graders:
            self._graders[compiled] = Grader(compiled=compiled, tip_mm=self.origin.tip_mm)
        if cut is not self._cut:
            self.owed.turn(cut=cut)
        self._lot, self._cut, self._grader = lot, cut, self._graders[compiled]

    def _why(self, record: FruitRecord) -> tuple[Finding, ...]:
        parsed = to_batch(records=[record], source=self.origin.source, run=self.origin.run,
                          tip_mm=self.origin.tip_mm)
        return known_lanes(parsed=parsed, lanes=self._lanes).refused.get(0, (_NOT_A_NUMBER,))


def _time_ms(record: FruitRecord) -> int | None:
    return record.time_unix_ms if record.time is None else unix_ms(moment=record.time)

