"""A backup is taken while fruit come in, and restored elsewhere: it holds what was acknowledged up
to its own commit, and nothing else."""

from __future__ import annotations

import http.client
import json
import os
import subprocess
import sys
import threading
from contextlib import closing
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from service.store.backup import read_manifest
from service.store.open import open_store
from tests.support.app import LOT, NOON_MS
from tests.support.process import Served

NIGHTLY = bool(os.environ.get("DRUPE_NIGHTLY"))
BEFORE = 1_000_000 if NIGHTLY else 20_000
BACKUPS = 5 if NIGHTLY else 1
CLIENTS = 3
BODY = 1000

pytestmark = pytest.mark.faults


def content(seqs: np.ndarray) -> np.ndarray:
    """Diameters in hundredths of a millimetre, by seq."""
    return 5500 + seqs * 7919 % 3000


class Sender(threading.Thread):
    """Posts bodies of its own run, and notes the commit that each was acknowledged with."""

    def __init__(self, port: int, number: int) -> None:
        super().__init__(daemon=True)
        self._port, self.run_id = port, f"run-{number}"
        self.commits: list[int] = []  # of body k, which is seqs k * BODY up to the next
        self.enough = threading.Event()
        self.stopping = threading.Event()
        self.wrong: list[Any] = []

    def run(self) -> None:
        path = f"/v1/records?source=line-1&run={self.run_id}&lot=L-0417"
        with closing(http.client.HTTPConnection("127.0.0.1", self._port, timeout=60)) as to:
            while not self.stopping.is_set():
                seqs = np.arange(len(self.commits) * BODY, (len(self.commits) + 1) * BODY)
                to.request("POST", path, json.dumps([
                    {"seq": s, "diameter_mm": d / 100}
                    for s, d in zip(seqs.tolist(), content(seqs).tolist(), strict=True)
                ]), {"Content-Type": "application/json"})
                answer = to.getresponse()
                told = json.loads(answer.read())
                if answer.status != 201:
                    self.wrong.append(told)
                    self.enough.set()
                    return
                self.commits.append(told["commit"])
                if len(self.commits) * BODY * CLIENTS >= BEFORE:
                    self.enough.set()


def drupe(*arguments: str) -> dict[str, Any]:
    done = subprocess.run(
        [sys.executable, "-m", "service.cli.main", *arguments, "--json"], capture_output=True,
        text=True, check=False)
    assert done.returncode == 0, done.stderr
    found: dict[str, Any] = json.loads(done.stdout)
    return found


def test_a_backup_under_load_restores_to_its_own_commit(tmp_path: Path) -> None:
    served = Served(tmp_path / "data")
    served.start()
    assert served.request("POST", "/v1/lots", LOT)[0] == 201
    senders = [Sender(served.port, k) for k in range(CLIENTS)]
    for sender in senders:
        sender.start()
    for sender in senders:
        sender.enough.wait()
    for number in range(BACKUPS):
        before = served.request("GET", "/health/ready")[1]["commit"]
        drupe("backup", "--data", str(tmp_path / "data"), "--to", str(tmp_path / f"b{number}"))
        after = served.request("GET", "/health/ready")[1]["commit"]
        manifest = read_manifest(target=tmp_path / f"b{number}")
        assert before <= manifest.commit < after, "nothing came in while the backup was taken"
    for sender in senders:
        sender.stopping.set()
    for sender in senders:
        sender.join()
    assert not [s.wrong for s in senders if s.wrong]
    assert served.stop() == 0
    for number in range(BACKUPS):
        check(tmp_path / f"b{number}", tmp_path / f"restored-{number}", senders)


def check(backup: Path, folder: Path, senders: list[Sender]) -> None:
    manifest = read_manifest(target=backup)
    restored = drupe("restore", str(backup), "--data", str(folder))
    assert restored["bad"] is None
    verified = drupe("verify", "--data", str(folder))
    assert verified["bad"] is None
    wanted = {s.run_id: BODY * sum(c <= manifest.commit for c in s.commits) for s in senders}
    found = dict.fromkeys(wanted, 0)
    store = open_store(data_dir=folder, now_ms=NOON_MS)
    for chunk in store.reader.chunks(lot="L-0417"):
        batch, _ = chunk.decode()
        assert np.array_equal(batch.measures["diameter"].values, content(batch.seq))
        assert batch.seq.max() < wanted[chunk.run]
        found[chunk.run] += len(np.unique(batch.seq))
    store.close()
    assert found == wanted
    assert manifest.fruit == verified["fruit"] == sum(wanted.values()) >= BEFORE
