"""kill -9 at any moment of a migration, from every released schema and from nothing: the store is
left at the old schema or at a later one, never between, and no row of it has changed."""

from __future__ import annotations

import os
import shutil
import sqlite3
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

import pytest

from service.store.open import DATABASE, open_store
from service.store.schema import MIGRATIONS, migrate, version
from service.store.verify import verify
from tests.support import released
from tests.support.app import NOON_MS, send, service
from tests.support.faulty_disk import DIE, FaultyDisk
from tests.support.forked import Forked

PLACES = 10**6 if os.environ.get("DRUPE_NIGHTLY") else 5
NEVER = 10**12
BEGIN = "tests.faults.test_io_errors:begin"
Made = set[tuple[str, str, str | None]]

pytestmark = pytest.mark.faults


def made(conn: sqlite3.Connection) -> Made:
    """What the schema consists of, as the statements that made it."""
    return set(conn.execute("SELECT type, name, sql FROM sqlite_schema"))


def every_schema() -> dict[int, Made]:
    """By number, what each migration makes of an empty database."""
    with closing(sqlite3.connect(":memory:", isolation_level=None)) as conn:
        found = {0: made(conn)}
        for upto in range(1, len(MIGRATIONS) + 1):
            migrate(conn=conn, now_ms=1, migrations=MIGRATIONS[:upto])
            found[MIGRATIONS[upto - 1].number] = made(conn)
        return found


@pytest.mark.parametrize("kind", ["write", "sync"])
@pytest.mark.parametrize("schema", [0, *released.SCHEMAS])
def test_a_kill_leaves_the_old_schema_or_a_new_one(
    tmp_path: Path, faulty_disk: Callable[..., FaultyDisk], schema: int, kind: str
) -> None:
    whole = every_schema()
    disk = faulty_disk(tmp_path / "data")
    before = tmp_path / "before"
    before.mkdir()
    if schema:
        released.make(data_dir=before, schema=schema)
    seen = set()
    with Forked(env=disk.env, stderr=tmp_path / "stderr") as forked:
        clean = disk.root / "clean"
        shutil.copytree(before, clean)
        disk.fail(kind=kind, at=NEVER, error=DIE)
        assert forked.run(BEGIN, str(clean)) == (0, [])
        calls = disk.get("count")
        assert calls > 20
        for at in range(1, calls + 1, max(1, calls // PLACES)):
            data = disk.root / str(at)
            shutil.copytree(before, data)
            disk.fail(kind=kind, at=at, error=DIE)
            code, _ = forked.run(BEGIN, str(data))
            disk.heal()
            assert code == -9, at
            with closing(sqlite3.connect(data / DATABASE)) as conn:
                left = version(conn=conn)
                assert made(conn) == whole[left], at
                seen.add(left)
            if schema:
                assert left >= schema
                assert released.rows(data_dir=data, schema=schema) == released.rows(
                    data_dir=before, schema=schema), at
            open_store(data_dir=data, now_ms=NOON_MS).close()
            checked = verify(data_dir=data)
            assert checked.ok, (at, checked.bad)
            assert checked.schema == MIGRATIONS[-1].number
    assert seen >= {schema, MIGRATIONS[-1].number}


@pytest.mark.parametrize("schema", released.SCHEMAS)
def test_a_released_store_is_served_with_all_its_fruit(tmp_path: Path, schema: int) -> None:
    """Its repeats are known, its counts are right, and it takes new fruit."""
    released.make(data_dir=tmp_path / "data", schema=schema)
    rows = released.rows(data_dir=tmp_path / "data", schema=schema)
    assert [len(rows[t]) for t in ("lot", "conflict", "pull", "quarantine")] == [2, 1, 1, 1]
    with service(tmp_path / "data") as client:
        # The standard still has the digest that its verdicts are stored with.
        graded = client.get("/v1/lots/L-0417").json()["graded_under"]
        assert graded["digest"] == rows["lot"][0][9] == rows["standard"][0][0]
        assert client.get("/v1/lots/L-0417/packout").json()["n"] == 121
        assert client.get("/v1/lots/L-0418").json()["status"] == "closed"
        old = {"seq": 1, "lane": 2, "diameter_mm": 74.19, "ground_hue_deg": 107.29,
               "blush_fraction": 0.1}
        assert send(client, old).json()["duplicates"] == 1
        assert send(client, {**old, "seq": 999}).json()["stored"] == 1
    checked = verify(data_dir=tmp_path / "data")
    assert (checked.ok, checked.fruit) == (True, sum(chunk[6] for chunk in rows["chunk"]) + 1)


def test_released_migrations_stay_as_they_were() -> None:
    """A dump of a released store is made of the statements that its migrations still hold."""
    for schema in released.SCHEMAS:
        with closing(sqlite3.connect(":memory:")) as conn:
            conn.executescript(
                (Path(released.__file__).parent / f"schema-{schema}.sql").read_text("utf-8"))
            assert made(conn) == every_schema()[schema]
