"""A simulated shift played to the service as a process: every fruit stored once, in its lot, with
breaks, repeats, disorder, a new run and a changed cut; and what happens when it cannot go on."""

from __future__ import annotations

import json
import signal
import subprocess
import sys
import threading
import time
from collections import Counter
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from click.testing import CliRunner, Result

from service.cli.main import main
from service.simulator import Shift, load_plan
from tests.support.process import Served, free_port

PLAN = """
name = "tiny"
hours = 0.1
{line}
[[event]]
kind = "network_break"
line = "line-1"
start_min = 1
end_min = 1.5
size = 150
[[event]]
kind = "network_break"
line = "line-1"
start_min = 2.4
end_min = 3
size = 60
note = "Across the change of lots."
[[event]]
kind = "sensor_restart"
line = "line-1"
start_min = 4
[[event]]
kind = "double_fruit"
line = "line-1"
start_min = 0.5
size = 0.05
[[event]]
kind = "out_of_order"
line = "line-1"
start_min = 3
size = 25
[[event]]
kind = "cut_change"
line = "line-1"
start_min = 4.5
end_min = 5
size = -1.5
"""
LINE = """
[[line]]
id = "{id}"
lanes = 4
gap_s = 20
pulls = [{{ first_min = 1, every_min = 2, n = 8 }}]
checks = [{{ first_min = 0, every_min = 3 }}]
lots = [
  {{ id = "{a}", {first}, bins = 5, bin_fruit = 480 }},
  {{ id = "{b}", {second}, bins = 9, bin_fruit = 480 }},
]
"""
FIRST = 'grower = "Tolliver Ridge", block = "TR-07", cultivar = "ember-lass"'
SECOND = 'grower = "Quarry Creek Farm", block = "QC-11", cultivar = "tansy-flare"'


def drupe(*args: str | Path) -> Result:
    return CliRunner().invoke(main, ["simulate", *map(str, args)])


@pytest.fixture(scope="module")
def house(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Served]:
    served = Served(tmp_path_factory.mktemp("house") / "data")
    served.start()
    yield served
    served.stop()


def written(folder: Path, *, line: str, lots: tuple[str, str]) -> Path:
    path = folder / "tiny.toml"
    text = LINE.format(id=line, a=lots[0], b=lots[1], first=FIRST, second=SECOND)
    path.write_text(PLAN.format(line=text).replace('"line-1"', f'"{line}"'))
    return path


def expected(shift: Shift) -> tuple[Counter[str], dict[str, Counter[str]], int]:
    """Fruit stored and grades by lot, and records refused, from the truth and the rules."""
    fruit: Counter[str] = Counter()
    grades: dict[str, Counter[str]] = {}
    refused = 0
    for line in shift.lines.values():
        for part in line.slices():
            lot, compiled = part.lot.id, shift.compiled(part)
            names = np.array(compiled.grade_names)
            fruit[lot] += len(part.rows)
            grades.setdefault(lot, Counter()).update(
                names[compiled.grade(batch=part.batch).grade].tolist())
            refused += int(part.impossible.sum())
    return fruit, grades, refused


@pytest.mark.parametrize("by", ["http", "stream"])
def test_every_fruit_is_stored_once_in_its_lot(house: Served, tmp_path: Path, by: str) -> None:
    lots = (f"{by}-1", f"{by}-2")
    line = f"line-{by}"
    path = written(tmp_path, line=line, lots=lots)
    shift = Shift(plan=load_plan(str(path)), seed=5)
    fruit, grades, refused = expected(shift)
    assert refused > 3
    shown = drupe(path, "--to", f"http://127.0.0.1:{house.port}", "--speed", 60, "--by", by,
                  "--seed", 5, "--truth", tmp_path / "truth", "--run", "shift",
                  "--json")
    assert shown.exit_code == 0, shown.output
    told: dict[str, Any] = json.loads(shown.stdout)
    played = told["lines"][line]
    records = sum(int(p.sent.sum()) for p in shift.lines[line].slices())
    assert played["records"] == records == sum(played["lots"].values())
    assert (played["breaks"], played["checks"]) == (2, 2)
    assert played["pulls"] == len(shift.pulls) > 1
    # At this speed a body holds 480 fruit, so each break has that many fruit before it to repeat;
    # of these all gave a record or were lost.
    assert 190 < played["repeats"] <= 210
    (made,) = played["cuts"]
    _, moved = house.request("GET", f"/v1/lines/{line}/cuts")
    (cut,) = moved["changes"]
    assert (cut["id"], cut["lot"], cut["how"]) == (made, lots[1], "reverted")
    assert cut["moves"] == [{"measure": "diameter", "at": "63.5", "to": "62", "unit": "mm"}]
    under = sum(len(p.rows) for p in shift.lines[line].slices() if shift.changes(p))
    _, did = house.request("GET", f"/v1/lines/{line}/cuts/{made}/effect")
    assert did["fruit"] == under > 100
    assert told["acknowledged"]["duplicates"] >= played["repeats"] - refused
    assert told["acknowledged"]["conflicts"] == told["acknowledged"]["lot_closed"] == 0

    waiting = 0
    for lot, n in fruit.items():
        _, found = house.request("GET", f"/v1/lots/{lot}")
        assert found["fruit"] == n, lot
        waiting += found["in_quarantine"]
        _, packed = house.request("GET", f"/v1/lots/{lot}/packout")
        by_grade = {g["code"]: g["count"] for g in packed["by_grade"] if g["count"]}
        assert by_grade == grades[lot], lot
        assert {s["run"] for s in found["sources"]} <= {"shift.1", "shift.2"}
    assert waiting >= refused
    assert house.request("GET", f"/v1/lots/{line}-holding")[1]["fruit"] == 0
    _, turns = house.request("GET", f"/v1/lines/{line}")
    assert turns["lot"] is None
    assert [t["lot"] for t in turns["turns"]] == [None, lots[1], None, lots[0]]
    _, checks = house.request("GET", f"/v1/sources/{line}-sizer/checks?days=1")
    assert len(checks["readings"]) == 2 * 4 * 5
    pulled = [house.request("GET", f"/v1/lots/{lot}")[1]["pulled_fruit"] for lot in fruit]
    assert sum(pulled) == 8 * len(shift.pulls)
    assert json.loads((tmp_path / "truth" / "truth.json").read_text())["seed"] == 5
    assert json.loads((tmp_path / "truth" / "sent.json").read_text())["lines"][line] == played


def test_a_shift_can_be_played_again(house: Served, tmp_path: Path) -> None:
    path = written(tmp_path, line="line-again", lots=("again-1", "again-2"))
    to = f"http://127.0.0.1:{house.port}"
    for run in ("one", "two"):
        shown = drupe(path, "--to", to, "--speed", 400, "--run", run)
        assert shown.exit_code == 0, shown.output
        assert "changes of cut" in shown.output
    shift = Shift(plan=load_plan(str(path)))
    usable = sum(len(p.rows) for p in shift.lines["line-again"].slices())
    stored = sum(house.request("GET", f"/v1/lots/again-{k}")[1]["fruit"] for k in (1, 2))
    assert stored == 2 * usable


def test_ctrl_c_ends_it_and_what_was_sent_is_there(house: Served, tmp_path: Path) -> None:
    path = written(tmp_path, line="line-c", lots=("c-1", "c-2"))
    player = subprocess.Popen(
        [sys.executable, "-m", "service.cli.main", "simulate", str(path), "--to",
         f"http://127.0.0.1:{house.port}", "--json"], stdout=subprocess.PIPE)
    deadline = time.monotonic() + 30
    while time.monotonic() < deadline:
        status, found = house.request("GET", "/v1/lots/c-1")
        if status == 200 and found["fruit"]:
            break
        time.sleep(0.05)  # polls for the first fruit, decides nothing
    player.send_signal(signal.SIGINT)
    out, _ = player.communicate(timeout=30)
    assert player.returncode == 0
    told = json.loads(out)
    assert told["ended_early"]
    assert 0 < told["lines"]["line-c"]["records"] == told["acknowledged"]["stored"]
    assert house.request("GET", "/v1/lots/c-1")[1]["fruit"] == told["acknowledged"]["stored"]


@pytest.mark.parametrize("by", ["http", "stream"])
def test_a_service_that_goes_away_is_waited_for(tmp_path: Path, by: str) -> None:
    served = Served(tmp_path / "data")
    served.start()
    path = written(tmp_path, line="line-1", lots=("L-1", "L-2"))
    shift = Shift(plan=load_plan(str(path)))
    found: list[Result] = []
    player = threading.Thread(target=lambda: found.append(drupe_quietly(
        path, f"http://127.0.0.1:{served.port}", by)))
    try:
        player.start()
        deadline = time.monotonic() + 30
        while time.monotonic() < deadline:
            _, lot = served.request("GET", "/v1/lots/L-1")
            if lot.get("fruit", 0) > 200:
                break
            time.sleep(0.02)  # polls for the first fruit, decides nothing
        served.kill()
        served.start()
        player.join(timeout=60)
        assert found == [[]]
        usable = sum(len(p.rows) for p in shift.lines["line-1"].slices())
        stored = [served.request("GET", f"/v1/lots/{lot}")[1]["fruit"]
                  for lot in ("L-1", "L-2", "line-1-holding")]
        assert sum(stored) == usable
    finally:
        served.stop()


def drupe_quietly(path: Path, to: str, by: Any) -> Any:
    """Play without the command, which takes signals in the main thread only; its troubles."""
    from service.simulator.sending import How, Playing

    playing = Playing(shift=Shift(plan=load_plan(str(path))), stop=threading.Event(), how=How(
        to=to, speed=60.0, by=by, run="r", start_ms=time.time_ns() // 1_000_000))
    playing.end()
    return playing.troubles


def test_what_cannot_be_reached_or_is_not_ours_is_told() -> None:
    nobody = drupe("quiet-day", "--to", f"http://127.0.0.1:{free_port()}")
    assert nobody.exit_code == 3
    assert "cannot play" in nobody.output
    odd = drupe("quiet-day", "--to", "ftp://house")
    assert odd.exit_code == 3
    assert "is not an address" in odd.output
