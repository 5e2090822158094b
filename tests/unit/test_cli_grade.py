"""`drupe grade` and `drupe standard`, without a server."""

from __future__ import annotations

import csv
import io
import json
from pathlib import Path
from typing import Any

import pyarrow.parquet as pq
import pytest
from click.testing import CliRunner, Result

from fixtures.packing_day import records
from service.cli.main import COMMANDS, main


def drupe(*args: str | Path) -> Result:
    return CliRunner().invoke(main, [str(a) for a in args])


@pytest.fixture
def fruit(tmp_path: Path) -> Path:
    path = tmp_path / "fruit.ndjson"
    listed = [r for r in records(seed=5, line="line-1", start=0, stop=400)
              if r["diameter_mm"] < 150]
    path.write_text("".join(json.dumps(r) + "\n" for r in listed))
    return path


@pytest.fixture
def spoiled(fruit: Path) -> Path:
    with fruit.open("a") as file:
        file.write('{"seq": 900, "diameter_mm": 180}\n{"seq": 901, "diamter_mm": 60}\n')
    return fruit


def test_help_names_every_command_and_the_exit_codes() -> None:
    shown = drupe("--help")
    assert shown.exit_code == 0
    for word in (*COMMANDS, "Exit codes", "0  done", "4  data are damaged"):
        assert word in shown.output
    for name in COMMANDS:
        one = drupe(name, "--help")
        assert one.exit_code == 0
        assert "Example" in one.output
        if name != "standard":
            assert "--json" in one.output
    assert drupe("nothing").exit_code == 2
    assert drupe("--version").exit_code == 0


def test_grade_counts_every_record(spoiled: Path) -> None:
    lines = len(spoiled.read_text().splitlines())
    shown = drupe("grade", spoiled, "--standard", "house-long-distance", "--cultivar",
                  "ember-lass", "--json")
    assert shown.exit_code == 1
    found: dict[str, Any] = json.loads(shown.stdout)
    assert found["records"] == lines
    assert found["packout"]["n"] + found["refused"]["count"] == lines
    cells = found["size_by_grade"]
    assert sum(c["count"] for c in cells) == found["packout"]["n"]
    assert all(c["low"] <= c["share"] <= c["high"] for c in cells)
    decisive = found["culls"]["decisive"]
    assert sum(r["count"] for r in decisive) == found["culls"]["culls"] > 0
    last = found["refused"]["listed"][-1]
    assert (last["seq"], last["position"]) == (901, lines - 1)
    assert "diameter_mm" in last["errors"][0]["remedy"]
    assert found["notice"] == "House record, not an official certificate."


def test_grade_prints_a_summary_and_passes_when_nothing_is_refused(
    fruit: Path, spoiled: Path
) -> None:
    shown = drupe("grade", spoiled, "--standard", "house-long-distance")
    assert shown.exit_code == 1
    for word in ("exact 95 % interval", "n = ", "Refused: ", "180 mm is outside",
                 "Culls by the reason", "Not measured", "not an official certificate"):
        assert word in shown.output
    good = fruit.with_name("good.ndjson")
    good.write_text('{"seq": 1, "diameter_mm": 66, "ground_hue_deg": 101, "blush_fraction": 0.6}\n')
    assert drupe("grade", good, "--standard", "house-long-distance").exit_code == 0


def test_grade_writes_rows(fruit: Path, tmp_path: Path) -> None:
    want = json.loads(drupe("grade", fruit, "--standard", "house-tree-ripe", "--out",
                            tmp_path / "g.parquet", "--json").stdout)
    rows = pq.read_table(tmp_path / "g.parquet").to_pylist()
    assert len(rows) == want["packout"]["n"]
    shown = drupe("grade", fruit, "--standard", "house-tree-ripe", "--out", "-", "--form", "csv")
    lines = list(csv.DictReader(io.StringIO(shown.stdout)))
    assert [r["grade"] for r in lines] == [r["grade"] for r in rows]
    for code in ("cull", "select"):
        counted = next(g["count"] for g in want["packout"]["by_grade"] if g["code"] == code)
        assert counted == sum(r["grade"] == code for r in rows)


@pytest.mark.parametrize(("args", "code", "said"), [
    (("--standard", "nope"), 3, "no pack standard"),
    (("--standard", "house-long-distance", "--cultivar", "nope"), 3, "no cultivar profile"),
    (("--standard", "us-peaches", "--basis", "mass"), 1, "no size table by mass"),
    (("--standard", "us-peaches", "--out", "-", "--json"), 2, "both want standard output"),
    (("--standard", "us-peaches", "--out", "rows.json"), 3, "written as one of"),
    ((), 2, "--standard"),
])
def test_grade_says_what_is_wrong(
    fruit: Path, args: tuple[str, ...], code: int, said: str
) -> None:
    shown = drupe("grade", fruit, *args)
    assert shown.exit_code == code
    assert said in shown.output
    assert "Traceback" not in shown.output


def test_files_that_cannot_be_read_have_their_codes(tmp_path: Path) -> None:
    gone = drupe("grade", tmp_path / "gone.csv", "--standard", "us-peaches")
    assert (gone.exit_code, "cannot be read" in gone.output) == (3, True)
    (tmp_path / "bad.json").write_text("[{")
    bad = drupe("grade", tmp_path / "bad.json", "--standard", "us-peaches")
    assert (bad.exit_code, "not JSON" in bad.output) == (4, True)


def test_standard_list_show_schema() -> None:
    listed = json.loads(drupe("standard", "list", "--json").stdout)
    assert {"us-peaches", "house-long-distance"} <= {s["id"] for s in listed["standards"]}
    assert "house-long-distance@" in drupe("standard", "list").output
    shown = json.loads(drupe("standard", "show", "us-peaches", "--json").stdout)
    of_list = next(s for s in listed["standards"] if s["id"] == "us-peaches")
    assert shown["digest"] == of_list["digest"]
    assert shown["standard"]["id"] == "us-peaches"
    text = drupe("standard", "show", "us-peaches").output
    assert shown["digest"] in text
    assert "size by diameter in in" in text
    assert drupe("standard", "show", "nope").exit_code == 3
    schema = json.loads(drupe("standard", "schema").stdout)
    assert "grade" in schema["properties"]


def test_standard_check_names_every_fault(tmp_path: Path) -> None:
    from service.library import find_standard

    name = "house-tree-ripe"
    found = find_standard(name)
    shipped = Path("grading/standards") / f"{found.id}-{found.edition}.toml"
    shipped = Path(__file__).resolve().parents[2] / shipped
    assert drupe("standard", "check", shipped).exit_code == 0
    assert json.loads(drupe("standard", "check", shipped, "--json").stdout)["usable"] is True
    text = shipped.read_text().replace('low = "63.5"', 'low = "62.5"', 1)
    broken = tmp_path / "mine.toml"
    broken.write_text(text)
    shown = drupe("standard", "check", broken, "--json")
    assert shown.exit_code == 1
    assert json.loads(shown.stdout)["errors"]
    assert "faults" in drupe("standard", "check", broken).output
    assert drupe("standard", "check", tmp_path / "gone.toml").exit_code == 3
