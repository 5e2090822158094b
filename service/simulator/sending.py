"""Playing a shift to a running service: a thread for each line, at true speed times a factor."""

from __future__ import annotations

import http.client
import threading
import time
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from typing import Any, Final, Literal
from urllib.parse import quote

from service.simulator.events import Event
from service.simulator.hand import moment
from service.simulator.http_api import Api, Ended, Trouble, set_up
from service.simulator.posting import ByHttp, ByStream, Post, Tally
from service.simulator.records import records_of
from service.simulator.rules import moves_under
from service.simulator.script import Cut, Drawn, Send, Step, Turn, script_of
from service.simulator.shift import LineShift
from service.simulator.whole import Shift

BODY_S: Final = 0.5
"""How much real time one body or frame holds, where it is not too large."""
BODY_MAX: Final = 2_000
PERSON: Final = "Shift lead"
CUT_HOLDS: Final = timedelta(hours=23)
"""Expiry of a change of cut: past the end of any shift, so that only the plan ends it."""


@dataclass(frozen=True, slots=True)
class How:
    """How a shift is played. by: "http" bodies or frames of a "stream"."""

    to: str
    speed: float = 1.0
    by: Literal["http", "stream"] = "http"
    run: str = "sim"
    start_ms: int = 0

    def run_of(self, number: int) -> str:
        return f"{self.run}.{number}"


@dataclass(slots=True)
class Played:
    """What one line has sent so far. fruit: of the shift, whether they gave a record or not.
    cuts: the changes of cut made, as the service numbers them."""

    fruit: int = 0
    records: int = 0
    repeats: int = 0
    pulls: int = 0
    checks: int = 0
    breaks: int = 0
    lots: dict[str, int] = field(default_factory=dict)
    cuts: list[int] = field(default_factory=list)


class LinePlayer(threading.Thread):
    """Plays one line. trouble: why it ended early, if it did."""

    def __init__(
        self, *, shift: Shift, line: LineShift, how: How, key: str, begin: float, tally: Tally,
        stop: threading.Event,
    ) -> None:
        super().__init__(name=line.id, daemon=True)
        self.line, self.played, self.trouble = line, Played(), ""
        self._shift, self._how, self._begin, self._stop_asked = shift, how, begin, stop
        self._api = Api(to=how.to, stop=stop)
        records = Api(to=how.to, stop=stop)
        self._post: Post = (
            ByHttp(api=records, source=line.source, key=key, tally=tally) if how.by == "http"
            else ByStream(api=records, source=line.source, key=key, tally=tally, stop=stop))
        self._packing = ""
        self._cuts: tuple[Event, ...] = ()

    def run(self) -> None:
        fruit = int(self.line.plan.rate * self._how.speed * BODY_S)
        try:
            for step in script_of(shift=self._shift, line=self.line,
                                  body_fruit=min(max(fruit, 1), BODY_MAX)):
                due = self._begin + step.due_s / self._how.speed
                if self._stop_asked.wait(max(due - time.monotonic(), 0.0)):
                    break
                self._play(step)
            self._post.settle()
        except Ended:
            pass
        except (Trouble, OSError, http.client.HTTPException) as wrong:
            self.trouble = f"{self.line.id} stopped: {wrong}"
        finally:
            self._post.close()
            self._api.close()

    def _play(self, step: Step) -> None:
        if isinstance(step, Send):
            self._send(step)
        elif isinstance(step, Cut):
            self.played.breaks += 1
            self._post.cut(run=self._how.run_of(step.send.part.run),
                           records=self._records(step.send))
        elif isinstance(step, Turn):
            self._post.settle()
            self._turn(step)
        elif isinstance(step, Drawn):
            at = moment(start_ms=self._how.start_ms, seconds=step.pull.seconds,
                        speed=self._how.speed)
            run = self._how.run_of(step.pull.run)
            lot = self._packing or step.pull.lot.id
            self._api.call("POST", f"/v1/lots/{quote(lot)}/pulls",
                           step.pull.body(drawn_at=at, run=run))
            self.played.pulls += 1
        else:
            at = moment(start_ms=self._how.start_ms, seconds=step.check.seconds,
                        speed=self._how.speed)
            if step.check.lane.size:
                self._api.call("POST", f"/v1/sources/{quote(self.line.source)}/checks",
                               step.check.body(at=at))
            self.played.checks += 1

    def _records(self, send: Send) -> list[dict[str, Any]]:
        return records_of(part=send.part, rows=send.rows, start_ms=self._how.start_ms,
                          speed=self._how.speed)

    def _send(self, send: Send) -> None:
        records = self._records(send)
        if records:
            self._post.send(run=self._how.run_of(send.part.run), records=records)
        if send.again:
            self.played.repeats += len(records)
            return
        self.played.records += len(records)
        self.played.fruit += len(send.part)
        self.played.lots[self._packing] = self.played.lots.get(self._packing, 0) + len(records)

    def _turn(self, turn: Turn) -> None:
        path = f"/v1/lines/{quote(self.line.id)}"
        if turn.lot is None:
            self._packing, self._cuts = "", ()
            self._api.call("POST", f"{path}/break", {"person": PERSON}, allowed=(409,))
            return
        if turn.lot.id != self._packing:
            self._packing, self._cuts = turn.lot.id, ()
            # 409: it packs that lot already, as when a shift is played again.
            self._api.call("POST", f"{path}/lot", {"lot": turn.lot.id, "person": PERSON},
                           allowed=(409,))
        if turn.changes != self._cuts:
            self._move_cuts(f"{path}/cuts", turn.changes)

    def _move_cuts(self, path: str, changes: tuple[Event, ...]) -> None:
        """Put these changes of cut in force in place of those that are."""
        _, found = self._api.call("GET", path)
        if found["in_force"] is not None:
            # 409: it has ended meanwhile.
            self._api.call("POST", f"{path}/{found['in_force']['id']}/revert", {"person": PERSON},
                           allowed=(409,))
        if changes:
            _, made = self._api.call("POST", path, {
                "person": PERSON, "moves": moves_under(changes=changes),
                "reason": changes[-1].note or "The cut was changed",
                "until": (datetime.now(UTC) + CUT_HOLDS).isoformat()})
            self.played.cuts.append(made["id"])
        self._cuts = changes


class Playing:
    """A shift being played; `end` waits for its lines."""

    def __init__(self, *, shift: Shift, how: How, stop: threading.Event) -> None:
        """Sets the house up and starts. Raises Trouble, OSError or http.client.HTTPException."""
        self.tally, self.stop = Tally(), stop
        api = Api(to=how.to, stop=stop)
        try:
            keys = set_up(api=api, shift=shift)
        finally:
            api.close()
        begin = time.monotonic() + how.start_ms / 1000 - datetime.now(UTC).timestamp()
        self.players = [
            LinePlayer(shift=shift, line=line, how=how, key=keys[line.source], begin=begin,
                       tally=self.tally, stop=stop) for line in shift.lines.values()]
        for player in self.players:
            player.start()

    @property
    def going(self) -> bool:
        return any(player.is_alive() for player in self.players)

    @property
    def fruit(self) -> int:
        return sum(player.played.fruit for player in self.players)

    @property
    def troubles(self) -> list[str]:
        return [player.trouble for player in self.players if player.trouble]

    def end(self) -> None:
        for player in self.players:
            player.join()
