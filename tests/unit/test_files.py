"""Files read in pieces and graded rows written: nothing lost, nothing cut in two."""

from __future__ import annotations

import csv
import io
import json
from pathlib import Path
from typing import Any

import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from fixtures.packing_day import records
from grading.kernel import Compiled, compile_standard
from grading.reasons import Reason
from grading.record import concat
from service.ingest.files import (
    FileError,
    graded_schema,
    graded_table,
    open_rows,
    read_pieces,
)
from service.ingest.parse import BodyError, parse_body
from service.library import find_profile, find_standard
from tests.support.store_batches import same_batch


@pytest.fixture
def listed() -> list[dict[str, Any]]:
    return records(seed=5, line="line-1", start=3_000, stop=3_500)


def write(path: Path, listed: list[dict[str, Any]]) -> Path:
    if path.suffix == ".json":
        path.write_text(json.dumps(listed))
    elif path.suffix == ".ndjson":
        path.write_text("".join(json.dumps(r) + "\n" for r in listed))
    else:
        names = list(dict.fromkeys(k for r in listed for k in r))
        flat = [{k: json.dumps(v, indent=1) if isinstance(v, list) else v for k, v in r.items()}
                for r in listed]
        if path.suffix == ".csv":
            with path.open("w", newline="") as file:
                writer = csv.DictWriter(file, names)
                writer.writeheader()
                writer.writerows(flat)
        else:
            pq.write_table(pa.table({n: [r.get(n) for r in flat] for n in names}), path)
    return path


@pytest.mark.parametrize("suffix", [".json", ".ndjson", ".csv", ".parquet"])
def test_pieces_together_are_the_file(
    tmp_path: Path, listed: list[dict[str, Any]], suffix: str
) -> None:
    """CSV cells of several lines (defects, indented) lie across the cuts."""
    path = write(tmp_path / f"fruit{suffix}", listed)
    told: list[tuple[int, int]] = []
    pieces = list(read_pieces(path=path, source="s", run="r", piece=7,
                              progress=lambda done, total: told.append((done, total))))
    assert len(pieces) > 60
    assert sum(p.n for p in pieces) == 500
    want = parse_body(body=json.dumps(listed).encode(), media="json", source="s", run="r")
    assert same_batch(concat(batches=[p.parsed.batch for p in pieces]), want.parsed.batch)
    assert told[-1][0] == told[-1][1] > 0
    assert told == sorted(told)


def test_an_empty_table_is_no_fruit_and_no_error(tmp_path: Path) -> None:
    path = tmp_path / "none.csv"
    path.write_text("seq,diameter_mm\n")
    assert [p.n for p in read_pieces(path=path, source="s", run="r")] == [0]
    (tmp_path / "none.json").write_text("[]")
    assert [p.n for p in read_pieces(path=tmp_path / "none.json", source="s", run="r")] == [0]


def test_what_cannot_be_opened_is_said(tmp_path: Path) -> None:
    for name, content in (("a.txt", b"x"), ("gone.csv", None), ("b.parquet", b"PAR1 nothing")):
        path = tmp_path / name
        if content is not None:
            path.write_bytes(content)
        with pytest.raises(FileError, match=name):
            list(read_pieces(path=path, source="s", run="r"))
    (tmp_path / "c.json").write_text("[{")
    with pytest.raises(BodyError):
        list(read_pieces(path=tmp_path / "c.json", source="s", run="r"))


@pytest.fixture
def compiled() -> Compiled:
    return compile_standard(standard=find_standard("house-long-distance"),
                            profile=find_profile("ember-lass"))


def graded(listed: list[dict[str, Any]], compiled: Compiled) -> Any:
    batch = parse_body(body=json.dumps(listed).encode(), media="json", source="line-1",
                       run="r1").parsed.batch
    return graded_table(batch=batch, verdicts=compiled.grade(batch=batch), compiled=compiled)


def read_back(path: Path) -> list[dict[str, Any]]:
    if path.suffix == ".parquet":
        rows = pq.read_table(path).to_pylist()
        for row in rows:
            text = row["time"].isoformat(timespec="milliseconds")
            row["time"] = text.replace("+00:00", "Z")
        return [{k: v for k, v in r.items() if v not in (None, "")} for r in rows]
    if path.suffix == ".ndjson":
        lines = path.read_text().splitlines()
        return [{k: v for k, v in json.loads(li).items() if v != ""} for li in lines]
    kinds = {f.name: f.type for f in graded_schema()}
    found = []
    for row in csv.DictReader(io.StringIO(path.read_text())):
        found.append({
            k: float(v) if pa.types.is_floating(kinds[k]) else
            int(v) if pa.types.is_integer(kinds[k]) else v for k, v in row.items() if v})
    return found


def test_every_form_holds_the_same_rows(
    tmp_path: Path, listed: list[dict[str, Any]], compiled: Compiled
) -> None:
    table = graded(listed, compiled)
    found = []
    for form in ("csv", "ndjson", "parquet"):
        path = tmp_path / f"graded.{form}"
        with open_rows(path=path) as rows:
            rows.write(table.slice(0, 200))
            rows.write(table.slice(200))
        assert not list(tmp_path.glob("*.partial"))
        found.append(read_back(path))
    assert found[0] == found[1] == found[2]
    sent = {r["seq"]: r for r in listed}
    for row in found[0]:
        record = sent[row["seq"]]
        for name in ("lane", "time", "diameter_mm", "mass_g", "sugar_brix", "firmness_n"):
            assert row.get(name) == record.get(name)
        assert row["grade"] in compiled.grade_names
        assert set(row.get("reasons", "").split(";")) - {""} <= {r.word for r in Reason}
    assert any(r["grade"] == "cull" and r["decisive"] in r["reasons"].split(";") for r in found[0])


def test_a_failed_write_leaves_nothing(
    tmp_path: Path, listed: list[dict[str, Any]], compiled: Compiled
) -> None:
    path = tmp_path / "graded.csv"
    with pytest.raises(KeyError), open_rows(path=path) as rows:
        rows.write(graded(listed, compiled))
        raise KeyError("stopped")
    assert list(tmp_path.iterdir()) == []
    with pytest.raises(FileError, match="written as one of"), open_rows(path=tmp_path / "a.json"):
        pass
    with pytest.raises(FileError, match="cannot be written"), \
            open_rows(path=tmp_path / "no" / "a.csv"):
        pass
