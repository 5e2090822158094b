"""`drupe lots`, `backup`, `restore`, `verify`, `export` and `serve` on a data folder."""

from __future__ import annotations

import json
import threading
from collections.abc import Iterator
from http.server import BaseHTTPRequestHandler, HTTPServer
from pathlib import Path
from typing import Any

import pyarrow.parquet as pq
import pytest
from click.testing import CliRunner, Result

from fixtures.packing_day import LOTS, records
from grading.kernel import compile_standard
from service.cli.main import main
from service.ingest.parse import parse_body
from service.library import find_profile, find_standard
from service.store.lots import Lot, insert_lot
from service.store.open import DATABASE, open_store
from service.store.standards import ProfileText, StandardText, keep_profile, keep_standard

NOW_MS = 1_785_153_600_000


def drupe(*args: str | Path) -> Result:
    return CliRunner().invoke(main, [str(a) for a in args])


@pytest.fixture
def data(tmp_path: Path) -> Path:
    """A data folder with one lot of 300 fruit and one without any."""
    folder = tmp_path / "data"
    standard, profile = find_standard("house-long-distance"), find_profile("ember-lass")
    compiled = compile_standard(standard=standard, profile=profile)
    store = open_store(data_dir=folder, now_ms=NOW_MS)
    try:
        def insert(conn: Any) -> None:
            keep_standard(conn, standard=StandardText(
                digest=standard.digest(), id=standard.id, edition=standard.edition,
                text=standard.canonical(), stored_ms=NOW_MS))
            keep_profile(conn, profile=ProfileText(
                digest=profile.digest(), id=profile.id, text=profile.canonical(),
                stored_ms=NOW_MS))
            for lot, closed in ((LOTS[0], None), (LOTS[1], NOW_MS)):
                insert_lot(conn, lot=Lot(
                    id=lot.id, grower=lot.grower, block=lot.block, cultivar=lot.cultivar, pick=1,
                    produce="peach", route="", standard_id=standard.id,
                    standard_edition=standard.edition, standard_digest=standard.digest(),
                    profile_digest=profile.digest(), basis="diameter", line=lot.line,
                    opened_ms=NOW_MS, closed_ms=closed))

        store.writer.run(insert).result()
        listed = [r for r in records(seed=5, line="line-1", start=0, stop=310)
                  if 20 < r["diameter_mm"] < 150 and r["blush_fraction"] <= 1
                  and r["ground_hue_deg"] <= 360][:300]
        batch = parse_body(body=json.dumps(listed).encode(), media="json", source="line-1",
                           run="r1").parsed.batch
        store.writer.submit(lot=LOTS[0].id, kind="line", batch=batch,
                            verdicts=compiled.grade(batch=batch), digest=standard.digest(),
                            received_ms=NOW_MS).result()
    finally:
        store.close()
    return folder


def test_lots_lists_counts(data: Path, tmp_path: Path) -> None:
    found = json.loads(drupe("lots", "--data", data, "--json").stdout)["lots"]
    assert [(lot["id"], lot["fruit"], lot["status"]) for lot in found] == [
        ("L-0417", 300, "open"), ("L-0418", 0, "closed")]
    shown = drupe("lots", "--data", data)
    assert "Tolliver Ridge" in shown.output
    assert "house-long-distance@" in shown.output
    gone = drupe("lots", "--data", tmp_path / "none")
    assert (gone.exit_code, "holds no" in gone.output) == (3, True)


class _Lots(BaseHTTPRequestHandler):
    """Two pages of lots."""

    def do_GET(self) -> None:
        first = "after=&" in self.path or self.path.endswith("after=")
        lot = {"id": "L-1" if first else "L-2", "grower": "Anselm Brothers", "block": "AB-02",
               "cultivar": "pale-meridian", "pick": 1, "status": "open", "fruit": 7,
               "graded_under": {"standard": "house-tree-ripe@3"}}
        body = json.dumps({"lots": [lot], "next": "L-1" if first else None}).encode()
        self.send_response(200)
        self.send_header("content-length", str(len(body)))
        self.end_headers()
        self.wfile.write(body)

    def log_message(self, format: str, *args: Any) -> None:
        """Nothing on the test's standard error."""


@pytest.fixture
def address() -> Iterator[str]:
    with HTTPServer(("127.0.0.1", 0), _Lots) as server:
        thread = threading.Thread(target=server.serve_forever)
        thread.start()
        yield f"http://127.0.0.1:{server.server_port}"
        server.shutdown()
        thread.join()


def test_lots_follows_the_pages_of_a_service(address: str) -> None:
    found = json.loads(drupe("lots", "--url", address, "--json").stdout)["lots"]
    assert [lot["id"] for lot in found] == ["L-1", "L-2"]
    assert "Anselm Brothers" in drupe("lots", "--url", address).output


def test_lots_says_when_nobody_answers(address: str) -> None:
    for url in ("http://127.0.0.1:9", "file:///etc"):
        shown = drupe("lots", "--url", url)
        assert shown.exit_code == 3
        assert "Traceback" not in shown.output


def test_backup_restore_verify(data: Path, tmp_path: Path) -> None:
    target, again = tmp_path / "b.sqlite3", tmp_path / "again"
    made = json.loads(drupe("backup", "--data", data, "--to", target, "--json").stdout)
    assert made["fruit"] == 300
    assert drupe("backup", "--data", data, "--to", target).exit_code == 3
    restored = drupe("restore", target, "--data", again)
    assert restored.exit_code == 0
    assert "300 fruit in 2 lots" in restored.output
    assert drupe("restore", target, "--data", again).exit_code == 3
    checked = json.loads(drupe("verify", "--data", again, "--json").stdout)
    assert (checked["fruit"], checked["bad"]) == (300, None)
    assert "reads back right" in drupe("verify", "--data", again).output
    assert drupe("verify", "--data", tmp_path / "none").exit_code == 3


def test_verify_names_damage_with_its_code(data: Path) -> None:
    import sqlite3

    with sqlite3.connect(data / DATABASE) as conn:
        conn.execute("UPDATE chunk SET body = zeroblob(length(body))")
    conn.close()
    shown = drupe("verify", "--data", data)
    assert shown.exit_code == 4
    assert "DAMAGED" in shown.output
    assert drupe("export", "--data", data, "--lot", "L-0417", "--out", "-").exit_code == 4


def test_export_writes_the_lot(data: Path, tmp_path: Path) -> None:
    out = tmp_path / "lot.parquet"
    said = json.loads(drupe("export", "--data", data, "--lot", "L-0417", "--out", out,
                            "--json").stdout)
    assert said == {"lot": "L-0417", "fruit": 300, "out": str(out)}
    rows = pq.read_table(out).to_pylist()
    shown = drupe("export", "--data", data, "--lot", "L-0417", "--out", "-")
    lines = [json.loads(line) for line in shown.stdout.splitlines()]
    assert [r["seq"] for r in lines] == [r["seq"] for r in rows]
    assert [r["grade"] for r in lines] == [r["grade"] for r in rows]
    empty = drupe("export", "--data", data, "--lot", "L-0417", "--pulls", "--out", "-")
    assert (empty.exit_code, empty.stdout) == (0, "")
    gone = drupe("export", "--data", data, "--lot", "L-9", "--out", "-")
    assert (gone.exit_code, "no lot L-9" in gone.output) == (3, True)


def test_serve_hands_its_settings_over(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    taken: list[Any] = []

    def listen(settings: Any, *, started: Any) -> None:
        taken.append(settings)
        started(f"http://{settings.host}:{settings.port}/")

    monkeypatch.setattr("service.server.run", listen)
    shown = drupe("serve", "--data", tmp_path, "--port", "9001")
    assert shown.exit_code == 0
    assert "http://127.0.0.1:9001/" in shown.output
    assert (taken[0].data_dir, taken[0].port, taken[0].host) == (tmp_path, 9001, "127.0.0.1")
    said = json.loads(drupe("serve", "--data", tmp_path, "--json").stdout)
    assert said["address"] == "http://127.0.0.1:8747/"
    remote = drupe("serve", "--host", "0.0.0.0")
    assert (remote.exit_code, "allow_remote" in remote.output) == (2, True)

    def busy(settings: Any, *, started: Any) -> None:
        raise OSError(98, "Address already in use")

    monkeypatch.setattr("service.server.run", busy)
    refused = drupe("serve", "--data", tmp_path)
    assert (refused.exit_code, "choose another --port" in refused.output) == (3, True)
