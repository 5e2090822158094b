"""Backup under load, restore, and a check that names the first bad thing."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from pathlib import Path

import pytest

from service.store.backup import backup, manifest_path, read_manifest, restore
from service.store.chunks import encode, pack_ranges
from service.store.errors import Refused
from service.store.group import LINE, chunk_digest
from service.store.keys import ChunkKey
from service.store.open import DATABASE, Store, open_store
from service.store.schema import MIGRATIONS
from service.store.seqs import ranges_of
from service.store.verify import verify
from tests.support.store_batches import batch_of, packing_batch, packing_verdicts, verdicts_of

NOW = 1_785_153_600_000


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    opened = open_store(data_dir=tmp_path / "data", now_ms=NOW)
    for first in range(0, 30_000, 3000):
        opened.writer.submit(
            lot="L-0417", kind=LINE, batch=packing_batch(n=2900, first=first, seed=first),
            verdicts=packing_verdicts(n=2900), digest="d", received_ms=NOW,
        ).result()
    yield opened
    opened.close()


def test_a_backup_under_load_is_one_committed_state(store: Store, tmp_path: Path) -> None:
    stop, going = threading.Event(), threading.Event()

    def load() -> None:
        first = 100_000
        while not stop.is_set():
            store.writer.submit(
                lot="L-0418", kind=LINE, batch=packing_batch(n=100, first=first),
                verdicts=packing_verdicts(n=100), digest="d", received_ms=NOW).result()
            going.set()
            first += 100

    thread = threading.Thread(target=load)
    thread.start()
    going.wait()
    steps: list[tuple[int, int]] = []
    try:
        manifest = backup(
            data_dir=store.data_dir, target=tmp_path / "night.backup", now_ms=NOW,
            progress=lambda done, total: steps.append((done, total)))
    finally:
        stop.set()
        thread.join()
    assert steps[-1][0] == steps[-1][1] > 0
    assert 0 < manifest.commit <= store.writer.commit_no
    assert (manifest.fruit - 29_000) % 100 == 0
    assert read_manifest(target=tmp_path / "night.backup") == manifest
    assert {p.name for p in tmp_path.iterdir()} == {
        "data", "night.backup", "night.backup.manifest.json"}
    verified = restore(target=tmp_path / "night.backup", data_dir=tmp_path / "elsewhere")
    assert verified.ok
    assert (verified.fruit, verified.commit) == (manifest.fruit, manifest.commit)
    again = open_store(data_dir=tmp_path / "elsewhere", now_ms=NOW)
    assert again.reader.counts(lot="L-0417") == {"line": 29_000}
    again.close()


def test_a_backup_never_overwrites(store: Store, tmp_path: Path) -> None:
    target = tmp_path / "b"
    target.write_text("precious")
    with pytest.raises(Refused, match="exists already"):
        backup(data_dir=store.data_dir, target=target, now_ms=NOW)
    assert target.read_text() == "precious"
    with pytest.raises(Refused, match="holds no"):
        backup(data_dir=tmp_path, target=tmp_path / "c", now_ms=NOW)


def test_restore_refuses_what_it_should(store: Store, tmp_path: Path) -> None:
    target = tmp_path / "b"
    backup(data_dir=store.data_dir, target=target, now_ms=NOW)
    with pytest.raises(Refused, match="not empty"):
        restore(target=target, data_dir=store.data_dir)
    with pytest.raises(Refused, match=r"manifest .* cannot be read"):
        restore(target=tmp_path / "none", data_dir=tmp_path / "new")
    body = bytearray(target.read_bytes())
    body[len(body) // 2] ^= 1
    target.write_bytes(body)
    with pytest.raises(Refused, match="SHA-256 differs"):
        restore(target=target, data_dir=tmp_path / "new")
    assert list((tmp_path / "new").iterdir()) == []
    target.unlink()
    with pytest.raises(Refused, match="is missing"):
        restore(target=target, data_dir=tmp_path / "new")
    assert manifest_path(target=target).exists()


def test_restore_refuses_a_backup_of_damaged_data(store: Store, tmp_path: Path) -> None:
    store.writer.run(lambda c: c.execute("UPDATE chunk SET lot = 'L-0500' WHERE id = 1")).result()
    backup(data_dir=store.data_dir, target=tmp_path / "b", now_ms=NOW)
    with pytest.raises(Refused, match=r"damaged: chunk 1 .*SHA-256"):
        restore(target=tmp_path / "b", data_dir=tmp_path / "new")


def test_verify_reads_all_of_a_running_store(store: Store) -> None:
    steps: list[tuple[int, int]] = []
    found = verify(data_dir=store.data_dir, progress=lambda a, b: steps.append((a, b)))
    assert found.ok
    assert (found.fruit, found.commit, found.schema) == (29_000, 10, MIGRATIONS[-1].number)
    assert steps[-1] == (found.chunks, found.chunks)


def test_verify_wants_a_store(tmp_path: Path) -> None:
    with pytest.raises(Refused, match="holds no"):
        verify(data_dir=tmp_path)
    (tmp_path / DATABASE).write_bytes(b"x" * 5000)
    assert "database: file is not a database" in str(verify(data_dir=tmp_path).bad)


KEY = ChunkKey("line-1", "r1", "L-0417", LINE, "d")


def sealed(body: bytes) -> bytes:
    return chunk_digest(key=KEY, body=body)


def edit(store: Store, sql: str, *params: object) -> str:
    store.writer.run(lambda c: c.execute(sql, params)).result()
    found = verify(data_dir=store.data_dir)
    assert not found.ok
    return str(found.bad)


@pytest.mark.parametrize(("sql", "said"), [
    ("UPDATE chunk SET n = n + 1 WHERE id = 3", "its row says"),
    ("UPDATE chunk SET seq_low = seq_low + 1 WHERE id = 3", "its row says"),
    ("UPDATE chunk SET seq_high = seq_high + 1 WHERE id = 3", "its row says"),
    ("UPDATE chunk SET commit_no = 99 WHERE id = 3", "it is of commit 99, the last commit is"),
    ("UPDATE chunk SET digest = 'e' WHERE id = 3", "SHA-256"),
    ("UPDATE chunk SET kind = 'pull' WHERE id = 3", "SHA-256"),
    ("UPDATE chunk SET body = zeroblob(100) WHERE id = 3", "SHA-256"),
    ("UPDATE chunk SET body = substr(body, 1, 900) WHERE id = 3", "SHA-256"),
])
def test_verify_names_the_bad_chunk(store: Store, sql: str, said: str) -> None:
    told = edit(store, sql)
    assert told.startswith("chunk 3 (line-1, run r1, lot L-0417): ")
    assert said in told


def test_verify_decodes_even_what_is_sealed(store: Store) -> None:
    body = b"DRC1" + bytes(100)
    told = edit(
        store, "UPDATE chunk SET body = ?, sha256 = ? WHERE id = 3", body, sealed(body))
    assert "does not decode" in told


def insert(store: Store, seqs: list[int], ranges: bytes | None) -> str:
    batch = batch_of(seqs=seqs)
    body = encode(batch=batch, verdicts=verdicts_of(batch=batch))
    return edit(
        store,
        "INSERT INTO chunk VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
        99, *KEY, len(seqs), min(seqs), max(seqs), NOW, NOW, 1, sealed(body), ranges, body)


def test_verify_finds_a_key_stored_twice(store: Store) -> None:
    seqs = [5, 50_000]
    told = insert(store, seqs, pack_ranges(ranges=ranges_of(seqs=batch_of(seqs=seqs).seq)))
    assert told == "chunk 99 (line-1, run r1, lot L-0417): a key in it is stored twice"


def test_verify_finds_wrong_ranges(store: Store) -> None:
    told = insert(store, [50_000, 50_005], None)
    assert told.endswith("its seqs are not the ranges that its row says")
