"""`drupe backup`, `restore`, `verify` and `export`: the data folder as a whole."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import asdict
from pathlib import Path
from typing import Any

import click
import msgspec

from service.cli.say import (
    DAMAGED,
    UNREACHABLE,
    Fail,
    json_option,
    progress_bar,
    say,
    told_failures,
)

data_option = click.option("--data", type=click.Path(path_type=Path), default=Path("drupe-data"),
                           show_default=True, help="Data folder.")


@contextmanager
def open_reader(*, data: Path) -> Iterator[Any]:
    """A reader of a data folder, beside a running service or without one."""
    import sqlite3

    from service.store.open import DATABASE
    from service.store.reader import Reader

    path = data / DATABASE
    if not path.is_file():
        raise Fail(f"data folder {data} holds no {DATABASE}; choose another --data",
                   code=UNREACHABLE)
    reader = Reader(path=path)
    try:
        yield reader
    except sqlite3.DatabaseError as wrong:
        raise Fail(f"database {path} cannot be read ({wrong}); see `drupe verify`",
                   code=DAMAGED) from wrong
    finally:
        reader.close()


@click.command()
@data_option
@click.option("--to", "target", required=True, type=click.Path(path_type=Path),
              help="File to write; it must not exist yet.")
@json_option
def backup(data: Path, target: Path, as_json: bool) -> None:
    """Back up a data folder, also while the service runs.

    Writes one file and, beside it, FILE.manifest.json with its SHA-256 and counts. Keep both.

    \b
    Example:
      drupe backup --data drupe-data --to /mnt/backup/drupe-2026-07-27.sqlite3
    """
    from service.clock import Clock
    from service.store import backup as store

    with told_failures(), progress_bar("backing up") as tell:
        manifest = store.backup(data_dir=data, target=target, now_ms=Clock().now_ms(),
                                progress=tell)
    say(value=msgspec.to_builtins(manifest), as_json=as_json, text=lambda m: click.echo(
        f"{target}: {m['fruit']:,} fruit in {m['lots']:,} lots, SHA-256 {m['sha256']}"))


@click.command()
@click.argument("file", type=click.Path(path_type=Path))
@data_option
@json_option
def restore(file: Path, data: Path, as_json: bool) -> None:
    """Put a backup FILE into an empty or missing data folder, and check all of it.

    \b
    Example:
      drupe restore /mnt/backup/drupe-2026-07-27.sqlite3 --data drupe-data
    """
    from service.store import backup as store

    with told_failures(), progress_bar("restoring") as tell:
        found = store.restore(target=file, data_dir=data, progress=tell)
    say(value=asdict(found), as_json=as_json, text=lambda v: click.echo(
        f"{data}: restored and checked, {v['fruit']:,} fruit in {v['lots']:,} lots"))


@click.command()
@data_option
@json_option
def verify(data: Path, as_json: bool) -> None:
    """Read back everything that is stored, and name the first thing that is wrong.

    Exit code 4 if anything is. A running service does not mind.

    \b
    Example:
      drupe verify --data drupe-data
    """
    import sqlite3

    from service.store import verify as store

    with told_failures(), progress_bar("checking") as tell:
        try:
            found = store.verify(data_dir=data, progress=tell)
        except sqlite3.DatabaseError as wrong:
            raise Fail(f"data folder {data}: database: {wrong}", code=DAMAGED) from wrong

    def text(value: dict[str, Any]) -> None:
        click.echo(f"{data}: {value['fruit']:,} fruit, {value['chunks']:,} chunks, "
                   f"{value['lots']:,} lots, {value['pulls']:,} pulls")
        click.echo(f"DAMAGED: {value['bad']}" if value["bad"] else "all of it reads back right")

    say(value=asdict(found), as_json=as_json, text=text)
    if not found.ok:
        raise SystemExit(DAMAGED)


@click.command()
@data_option
@click.option("--lot", "lot_id", required=True, metavar="ID", help="Lot to write out.")
@click.option("--out", required=True, metavar="FILE",
              help="FILE.csv, .ndjson or .parquet; - is NDJSON on standard output.")
@click.option("--pulls", is_flag=True, help="Fruit of hand pulls instead of the line's.")
@json_option
def export(data: Path, lot_id: str, out: str, pulls: bool, as_json: bool) -> None:
    """Write the graded fruit of a lot as CSV, NDJSON or Parquet.

    One row a fruit: its key, what was measured in SI units, size, maturity, grade, pack, the
    decisive reason and all reasons.

    \b
    Example:
      drupe export --data drupe-data --lot L-0417 --out l-0417.parquet
    """
    if out == "-" and as_json:
        raise click.UsageError("--out - and --json both want standard output; name a file in --out")
    with told_failures():
        n = _export(data, lot_id, None if out == "-" else Path(out), "pull" if pulls else "line")
    if out != "-":
        say(value={"lot": lot_id, "fruit": n, "out": out}, as_json=as_json,
            text=lambda v: click.echo(f"{out}: {n:,} fruit of lot {lot_id}"))


def _export(data: Path, lot_id: str, out: Path | None, kind: str) -> int:
    from grading.kernel import compile_standard
    from grading.profile import CultivarProfile
    from grading.standard import PackStandard
    from service.ingest.files import graded_table, open_rows
    from service.store.lots import get_lot
    from service.store.standards import PROFILES, get_standard

    with open_reader(data=data) as reader:
        lot = reader.read(lambda conn: get_lot(conn, lot_id=lot_id))
        if lot is None:
            raise Fail(f"there is no lot {lot_id} in {data}; see `drupe lots`", code=UNREACHABLE)
        total = reader.counts(lot=lot_id).get(kind, 0)
        profile = reader.read(lambda conn: PROFILES.get(conn, key=lot.profile_digest or ""))
        profile = CultivarProfile.model_validate_json(profile.text) if profile else None
        done = 0
        with open_rows(path=out) as rows, progress_bar(f"writing {lot_id}") as tell:
            for chunk in reader.chunks(lot=lot_id, kind=kind):
                digest = chunk.digest
                text = reader.read(lambda conn, digest=digest: get_standard(conn, digest=digest))
                if text is None:
                    raise Fail(f"the standard {digest} of lot {lot_id} is missing", code=DAMAGED)
                compiled = compile_standard(
                    standard=PackStandard.model_validate_json(text.text), profile=profile,
                    basis=lot.basis)
                batch, verdicts = chunk.decode()
                rows.write(graded_table(batch=batch, verdicts=verdicts, compiled=compiled))
                done += len(batch)
                tell(done, total)
    return done
