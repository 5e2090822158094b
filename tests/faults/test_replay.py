"""What is stored, graded again: one fruit at a time, in whole columns, in another process whose
dictionaries and sets are ordered otherwise. Every verdict comes out the same, byte for byte."""

from __future__ import annotations

import hashlib
import json
import os
import subprocess
import sys
from pathlib import Path
from typing import Any

import msgspec
import numpy as np
import pytest

from grading.record import FruitRecord
from grading.single import Single
from service.app import join
from service.clock import Clock
from service.settings import Settings
from service.store.chunks import VERDICT_DTYPES
from service.store.content import record_of
from tests.api.test_stream import Client
from tests.property.test_single import replayed
from tests.support.app import NOON_MS, open_lot, service
from tests.support.fruit import LONG_DISTANCE, compiled

ROOT = Path(__file__).parents[2]
RECORDS = 10_000_000 if os.environ.get("DRUPE_NIGHTLY") else 100_000
SENT = RECORDS * 5 // 4
"""About a sixth of them are out of range, and refused."""
BODY = 5_000
STREAMED = 5_000
LOTS = {"L-0417": {}, "L-0418": {"standard": "us-peaches"},
        "L-0419": {"standard": "house-tree-ripe", "cultivar": "rosalind-red"}}
OTHER_PYTHON = os.environ.get("DRUPE_OTHER_PYTHON")

pytestmark = pytest.mark.faults


@pytest.fixture(scope="module")
def data(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A store of fruit in lots under several standards; some came over a stream."""
    folder: Path = tmp_path_factory.mktemp("replay") / "data"
    rules = compiled(LONG_DISTANCE, "yellow", "diameter")
    with service(folder) as client:
        for lot, other in LOTS.items():
            open_lot(client, id=lot, **other)
        for start in range(0, SENT - STREAMED, BODY):
            fruit = replayed(rules, BODY, seed=start)
            lot = list(LOTS)[start // BODY % len(LOTS)]
            answer = client.post(f"/v1/records?source=line-1&run=r{start}&lot={lot}",
                                 content=msgspec.json.encode(fruit))
            assert answer.status_code == 201
        with client.websocket_connect("/v1/stream?source=line-2&run=r1&lot=L-0417") as socket:
            line = Client(socket)
            for one in replayed(rules, STREAMED, seed=SENT):
                line.ask(msgspec.json.encode(one).decode())
            line.until(lambda: line.total("stored") + line.total("refused") == STREAMED)
            # Here the scalar path answered and the vector path stored; nothing was taken back.
            assert line.changed == []
            line.leave()
    return folder


def replay(data_dir: str) -> dict[str, Any]:
    """SHA-256 of all verdicts of a data folder, as stored and as graded again in both ways."""
    ctx = join(settings=Settings(data_dir=Path(data_dir)), clock=Clock(lambda: NOON_MS))
    sums = {name: hashlib.sha256() for name in ("stored", "columns", "singly")}
    n = 0
    try:
        for lot in ctx.lots.all():
            for chunk in ctx.store.reader.chunks(lot=lot.id):
                batch, stored = chunk.decode()
                rules = ctx.lots.under(lot=lot, digest=chunk.digest).compiled
                single = Single(compiled=rules)
                one_by_one = [single.grade(record=msgspec.convert(
                    msgspec.to_builtins(record_of(batch=batch, row=row), enc_hook=plain),
                    FruitRecord)) for row in range(len(batch))]
                for name, dtype in VERDICT_DTYPES.items():
                    sums["stored"].update(getattr(stored, name).tobytes())
                    sums["columns"].update(getattr(rules.grade(batch=batch), name).tobytes())
                    sums["singly"].update(
                        np.array([getattr(o, name) for o in one_by_one], dtype).tobytes())
                n += len(batch)
    finally:
        ctx.store.close()
    return {"fruit": n, **{name: found.hexdigest() for name, found in sums.items()}}


def plain(value: Any) -> Any:
    return value.item()


def elsewhere(data_dir: Path, *, python: str = sys.executable, seed: str) -> dict[str, Any]:
    """`replay` in another interpreter."""
    done = subprocess.run(
        [python, "-m", "tests.faults.test_replay", str(data_dir)], cwd=ROOT, capture_output=True,
        text=True, check=False, env={**os.environ, "PYTHONHASHSEED": seed})
    assert done.returncode == 0, done.stderr
    found: dict[str, Any] = json.loads(done.stdout)
    return found


def test_every_fruit_gets_its_verdict_again(data: Path) -> None:
    here = replay(str(data))
    assert here["fruit"] >= RECORDS
    assert here["stored"] == here["columns"] == here["singly"]
    for seed in ("1", "4711"):
        assert elsewhere(data, seed=seed) == here


@pytest.mark.skipif(OTHER_PYTHON is None, reason="no other Python version: name one that has this "
                    "project installed in DRUPE_OTHER_PYTHON")
def test_another_python_agrees(data: Path) -> None:
    assert OTHER_PYTHON is not None
    assert elsewhere(data, python=OTHER_PYTHON, seed="2") == replay(str(data))


if __name__ == "__main__":
    print(json.dumps(replay(sys.argv[1])))
