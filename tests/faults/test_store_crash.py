"""kill -9 in the middle of submits: what was acknowledged is there, once, as it was sent.

This shows the restart logic. It says nothing on lost power: the kernel outlives the process and
keeps unsynced writes.
"""

from __future__ import annotations

import os
import random
import signal
import subprocess
import sys
import threading
from pathlib import Path

import numpy as np
import pytest

from service.store.group import LINE, STORED
from service.store.open import DATABASE, open_store
from service.store.schema import MIGRATIONS, version
from service.store.verify import verify
from service.store.writer import EXIT_STORAGE
from tests.support.store_batches import batch_of, same_batch, same_verdicts, verdicts_of

NOW = 1_785_153_600_000
ROOT = Path(__file__).parents[2]
CLIENTS = 4
BATCH = 50

pytestmark = pytest.mark.faults


def send(data_dir: Path, start: int) -> None:
    """Each client sends batch after batch and says so on standard output once acknowledged."""
    store = open_store(data_dir=data_dir, now_ms=NOW)

    def client(k: int) -> None:
        first = start
        while True:
            batch = batch_of(seqs=list(range(first, first + BATCH)), source=f"line-{k}")
            store.writer.submit(
                lot=f"L-{k % 2}", kind=LINE, batch=batch, verdicts=verdicts_of(batch=batch),
                digest="d", received_ms=NOW,
            ).result()
            os.write(1, f"{k} {first}\n".encode())
            # Half of the time the batch overlaps the last one, as after a break.
            first += BATCH if first % 3 else BATCH // 2

    clients = [threading.Thread(target=client, args=(k,)) for k in range(CLIENTS)]
    for thread in clients:
        thread.start()
    for thread in clients:
        thread.join()


def child(*arguments: str) -> subprocess.Popen[bytes]:
    return subprocess.Popen(
        [sys.executable, "-m", "tests.faults.test_store_crash", *arguments],
        stdout=subprocess.PIPE, stderr=subprocess.PIPE, cwd=ROOT,
    )


@pytest.mark.slow
def test_acknowledged_fruit_survive_kill_9(tmp_path: Path) -> None:
    chance = random.Random(20_260_727)
    acknowledged: set[tuple[int, int]] = set()
    for round_ in range(20):
        process = child("send", str(tmp_path), str(round_ * 1_000_000))
        assert process.stdout is not None
        for _ in range(chance.randrange(1, 200)):
            line = process.stdout.readline()
            assert line.endswith(b"\n")
            k, first = map(int, line.split())
            acknowledged.add((k, first))
        process.send_signal(signal.SIGKILL)
        rest = process.communicate()[0]
        for line in rest.splitlines(keepends=True):
            if line.endswith(b"\n"):
                k, first = map(int, line.split())
                acknowledged.add((k, first))
        checked = verify(data_dir=tmp_path)
        assert checked.bad is None
        store = open_store(data_dir=tmp_path, now_ms=NOW)
        for k in range(CLIENTS):
            seen = store.reader.seqs(source=f"line-{k}", run="r1")
            for client, first in acknowledged:
                if client == k:
                    assert seen.contains(seqs=np.arange(first, first + BATCH)).all()
        store.close()
    assert len(acknowledged) > 100
    store = open_store(data_dir=tmp_path, now_ms=NOW)
    counted: dict[str, int] = {}
    for lot in ("L-0", "L-1"):
        for chunk in store.reader.chunks(lot=lot):
            batch, verdicts = chunk.decode()
            wanted = batch_of(seqs=batch.seq.tolist(), source=chunk.source)
            assert same_batch(batch, wanted)
            assert same_verdicts(verdicts, verdicts_of(batch=wanted))
            counted[chunk.source] = counted.get(chunk.source, 0) + chunk.n
    for k in range(CLIENTS):
        source = f"line-{k}"
        # As many fruit as different keys: nothing is there twice.
        assert counted[source] == store.reader.seqs(source=source, run="r1").count
    store.close()


@pytest.mark.parametrize("at", range(1, len(MIGRATIONS[0].statements), 4))
def test_kill_9_in_a_migration_leaves_the_old_schema(tmp_path: Path, at: int) -> None:
    process = child("migrate", str(tmp_path), str(at))
    assert process.communicate()[1] == b""
    assert process.returncode == -signal.SIGKILL
    store = open_store(data_dir=tmp_path, now_ms=NOW)
    assert store.reader.read(lambda conn: version(conn=conn)) == MIGRATIONS[-1].number
    store.close()
    assert verify(data_dir=tmp_path).bad is None


def migrate_and_die(data_dir: Path, at: int) -> None:
    from dataclasses import replace

    from service.store.open import open_for_writing
    from service.store.schema import migrate

    conn = open_for_writing(path=data_dir / DATABASE)
    conn.create_function("die", 0, lambda: os.kill(os.getpid(), signal.SIGKILL))
    statements = list(MIGRATIONS[0].statements)
    statements.insert(at, "SELECT die()")
    migrate(conn=conn, now_ms=1, migrations=(replace(MIGRATIONS[0], statements=tuple(statements)),))


def test_an_io_error_ends_the_process_with_its_own_code(tmp_path: Path) -> None:
    """A file-size limit makes the kernel refuse real writes (EFBIG) under SQLite."""
    process = child("limited", str(tmp_path))
    out, err = process.communicate()
    assert process.returncode == EXIT_STORAGE
    lines = err.decode().splitlines()
    assert len(lines) == 1
    assert lines[0].startswith("drupe: storage failed, stopping: disk I/O error")
    acknowledged = [int(line) for line in out.split()]
    assert acknowledged
    assert verify(data_dir=tmp_path).bad is None
    store = open_store(data_dir=tmp_path, now_ms=NOW)
    seen = store.reader.seqs(source="line-1", run="r1")
    assert all(first in seen and first + 999 in seen for first in acknowledged)
    store.close()


def send_until_limited(data_dir: Path) -> None:
    import resource

    store = open_store(data_dir=data_dir, now_ms=NOW)
    limit = 600_000
    resource.setrlimit(resource.RLIMIT_FSIZE, (limit, limit))
    for first in range(0, 10_000_000, 1000):
        batch = batch_of(seqs=list(range(first, first + 1000)))
        receipt = store.writer.submit(
            lot="L-1", kind=LINE, batch=batch, verdicts=verdicts_of(batch=batch), digest="d",
            received_ms=NOW,
        ).result()
        assert (receipt.outcome == STORED).all()
        os.write(1, f"{first}\n".encode())


if __name__ == "__main__":
    what, folder, *more = sys.argv[1:]
    if what == "send":
        send(Path(folder), int(more[0]))
    elif what == "migrate":
        migrate_and_die(Path(folder), int(more[0]))
    else:
        send_until_limited(Path(folder))
