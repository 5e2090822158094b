"""Lots, pulls, standards, profiles, quarantine; and the schema's migrations."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import closing
from typing import Any

import pytest

from service.store.errors import Refused
from service.store.lots import Lot, close_lot, get_lot, insert_lot, list_lots, update_lot
from service.store.pulls import Pull, get_pull, insert_pull, list_pulls, update_pull
from service.store.quarantine import (
    Quarantined,
    count_quarantined,
    get_quarantined,
    insert_quarantined,
    list_quarantined,
    resolve_quarantined,
)
from service.store.schema import MIGRATIONS, Migration, migrate, version
from service.store.standards import (
    ProfileText,
    StandardText,
    get_profile,
    get_standard,
    keep_profile,
    keep_standard,
    list_profiles,
    list_standards,
)


def a_lot(**changes: Any) -> Lot:
    fields: dict[str, Any] = {
        "id": "L-0417", "grower": "Tolliver Ridge", "block": "TR-07", "cultivar": "Ember Lass",
        "pick": 2, "produce": "peach", "route": "long distance", "standard_id": "house",
        "standard_edition": "3", "standard_digest": "d1", "basis": "diameter",
        "declared": {"bins": 40}, "opened_ms": 5,
    }
    return Lot(**fields | changes)


@pytest.fixture
def conn() -> Iterator[sqlite3.Connection]:
    with closing(sqlite3.connect(":memory:", isolation_level=None)) as made:
        migrate(conn=made, now_ms=7)
        yield made


def test_lots(conn: sqlite3.Connection) -> None:
    for n in (1, 2, 3):
        insert_lot(conn, lot=a_lot(id=f"L-{n}", line="line-1" if n == 3 else None))
    assert get_lot(conn, lot_id="L-2") == a_lot(id="L-2")
    assert get_lot(conn, lot_id="L-9") is None
    with pytest.raises(sqlite3.IntegrityError):
        insert_lot(conn, lot=a_lot(id="L-1"))
    assert close_lot(conn, lot_id="L-2", closed_ms=9)
    assert not close_lot(conn, lot_id="L-2", closed_ms=10)
    assert update_lot(conn, lot_id="L-1", note="hail", declared={"bins": 41})
    assert not update_lot(conn, lot_id="L-9", note="hail")
    with pytest.raises(ValueError, match="lot has no colour"):
        update_lot(conn, lot_id="L-1", colour="red")
    assert get_lot(conn, lot_id="L-1") == a_lot(id="L-1", note="hail", declared={"bins": 41})
    assert [x.id for x in list_lots(conn, limit=2)] == ["L-1", "L-2"]
    assert [x.id for x in list_lots(conn, after="L-2", limit=2)] == ["L-3"]
    assert [x.id for x in list_lots(conn, newest_first=True, after="L-3")] == ["L-2", "L-1"]
    assert [x.id for x in list_lots(conn, only_open=True)] == ["L-1", "L-3"]
    assert [x.id for x in list_lots(conn, line="line-1")] == ["L-3"]


def test_pulls(conn: sqlite3.Connection) -> None:
    pulls = [
        Pull(id=f"P-{n}", lot="L-1", purpose="receiving" if n == 1 else "packed box", drawn_ms=n,
             person="M. Ortega", body={"fruit": [1]}, result={"grade": None}, received_ms=n)
        for n in (1, 2, 3)
    ]
    for pull in pulls:
        insert_pull(conn, pull=pull)
    assert get_pull(conn, pull_id="P-2") == pulls[1]
    assert list_pulls(conn, lot="L-1", after="P-1", limit=1) == [pulls[1]]
    assert list_pulls(conn, purpose="receiving") == [pulls[0]]
    assert list_pulls(conn, lot="L-2") == []
    assert update_pull(conn, pull_id="P-1", result={"grade": "first"})
    found = get_pull(conn, pull_id="P-1")
    assert found is not None and found.result == {"grade": "first"}


def test_quarantine(conn: sqlite3.Connection) -> None:
    record = Quarantined(
        received_ms=1, source="line-1", run="r1", lot="L-1", position=4, raw=b'{"hue": \xff',
        findings=[{"pointer": "/hue", "code": "malformed"}],
    )
    ids = [insert_quarantined(conn, record=record) for _ in range(3)]
    found = get_quarantined(conn, record_id=ids[1])
    assert found is not None
    assert (found.id, found.raw, found.findings) == (ids[1], record.raw, record.findings)
    assert resolve_quarantined(conn, record_id=ids[0], resolved_ms=5, resolved_by={"by": "qc"})
    assert not resolve_quarantined(conn, record_id=ids[0], resolved_ms=6, resolved_by={})
    assert [q.id for q in list_quarantined(conn, lot="L-1", only_open=True)] == ids[1:]
    assert [q.id for q in list_quarantined(conn, after=ids[1])] == ids[2:]
    assert count_quarantined(conn, lot="L-1") == 2
    assert count_quarantined(conn, only_open=False) == 3
    assert count_quarantined(conn, lot="L-2") == 0


def test_standards_and_profiles_are_kept_once(conn: sqlite3.Connection) -> None:
    standard = StandardText(digest="d1", id="house", edition="3", text="a", stored_ms=1)
    profile = ProfileText(digest="p1", id="ember-lass", text="b", stored_ms=1)
    assert keep_standard(conn, standard=standard)
    assert not keep_standard(conn, standard=standard)
    assert keep_profile(conn, profile=profile)
    assert not keep_profile(conn, profile=profile)
    assert get_standard(conn, digest="d1") == standard
    assert get_profile(conn, digest="p1") == profile
    assert list_standards(conn) == [standard]
    assert list_profiles(conn, after="p1") == []
    with pytest.raises(ValueError, match="digest d1 is stored with another text"):
        keep_standard(conn, standard=StandardText(
            digest="d1", id="house", edition="3", text="x", stored_ms=1))
    with pytest.raises(ValueError, match="digest p1 is stored with another text"):
        keep_profile(conn, profile=ProfileText(
            digest="p1", id="ember-lass", text="x", stored_ms=1))


def test_migrations_run_once_in_order_and_are_recorded(conn: sqlite3.Connection) -> None:
    assert migrate(conn=conn, now_ms=8) == 0
    assert version(conn=conn) == MIGRATIONS[-1].number
    numbers = [m.number for m in MIGRATIONS]
    assert numbers == list(range(1, len(numbers) + 1))
    rows = conn.execute("SELECT number, name, applied_ms FROM migration").fetchall()
    assert rows == [(m.number, m.name, 7) for m in MIGRATIONS]


def test_a_migration_that_fails_leaves_the_old_schema(conn: sqlite3.Connection) -> None:
    broken = Migration(
        MIGRATIONS[-1].number + 1, "broken", ("CREATE TABLE extra (x)", "CREATE nonsense"))
    with pytest.raises(sqlite3.OperationalError):
        migrate(conn=conn, now_ms=8, migrations=(*MIGRATIONS, broken))
    assert version(conn=conn) == MIGRATIONS[-1].number
    assert conn.execute("SELECT 1 FROM sqlite_schema WHERE name = 'extra'").fetchone() is None
    assert not conn.in_transaction


def test_a_newer_database_is_refused(conn: sqlite3.Connection) -> None:
    conn.execute("INSERT INTO migration VALUES (999, 'later', 1)")
    with pytest.raises(Refused, match=r"schema is number 999.*run the newer version"):
        migrate(conn=conn, now_ms=8)
