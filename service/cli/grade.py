"""`drupe grade`: a file of fruit records, graded without a server."""

from __future__ import annotations

from contextlib import ExitStack
from pathlib import Path
from typing import Any

import click

from service.cli.say import REFUSED, console, json_option, progress_bar, say, told_failures

LISTED = 20
"""Refused records shown one by one; all are counted."""


@click.command()
@click.argument("file", type=click.Path(path_type=Path))
@click.option("--standard", required=True, metavar="ID",
              help="Pack standard: id, id@edition or the path of a .toml file.")
@click.option("--cultivar", metavar="ID", help="Cultivar profile: id or the path of a .toml file.")
@click.option("--basis", type=click.Choice(["diameter", "circumference", "mass"]),
              default="diameter", show_default=True, help="What sizes are told by.")
@click.option("--out", metavar="FILE",
              help="Write graded rows to FILE.csv, .ndjson or .parquet; - is standard output.")
@click.option("--form", type=click.Choice(["ndjson", "csv"]), default="ndjson", show_default=True,
              help="Form of the rows on standard output (--out -).")
@json_option
def grade(
    file: Path, standard: str, cultivar: str | None, basis: str, out: str | None, form: str,
    as_json: bool,
) -> None:
    """Grade the fruit of FILE (.csv, .ndjson, .json or .parquet) under a pack standard.

    A file has one record a fruit: `seq`, and whatever was measured, each field with its unit in
    its name (diameter_mm or diameter_in, mass_g, ground_hue_deg, blush_fraction, sugar_brix,
    firmness_n, firmness_lbf or firmness_kgf with tip_mm, defects). What was not measured is left
    out or an empty cell, never zero. A record that cannot be used is refused with the reason and
    stops none of the others; the exit code is then 1.

    \b
    Examples:
      drupe grade fruit.csv --standard house-long-distance
      drupe grade fruit.csv --standard house-tree-ripe --cultivar rosalind-red
      drupe grade fruit.parquet --standard us-peaches --out graded.parquet
      drupe grade fruit.ndjson --standard house-long-distance --out - --form csv > graded.csv
      drupe grade fruit.csv --standard house-long-distance --json | jq .culls
    """
    if out == "-" and as_json:
        raise click.UsageError("--out - and --json both want standard output; name a file in --out")
    with told_failures():
        result = _grade(file, standard, cultivar, basis, out, form)
    if out == "-":
        for line in _refused_lines(result):
            click.echo(line, err=True)
    else:
        say(value=result, as_json=as_json, text=_print)
    if result["refused"]["count"]:
        raise SystemExit(REFUSED)


def _grade(
    file: Path, standard_id: str, cultivar: str | None, basis: str, out: str | None, form: str
) -> dict[str, Any]:
    from grading.errors import Finding, StandardError
    from grading.kernel import compile_standard
    from grading.tally import empty, tally
    from service.ingest.files import graded_table, open_rows, read_pieces
    from service.library import find_profile, find_standard
    from service.summary import culls, packout, standing

    standard = find_standard(standard_id)
    profile = find_profile(cultivar) if cultivar else None
    try:
        compiled = compile_standard(standard=standard, profile=profile, basis=basis)
    except ValueError as error:
        raise StandardError(name=standard.name, findings=(
            Finding("", "basis", f"{error}.", "Choose another --basis."),)) from error
    total = empty(compiled=compiled)
    first, refused = 0, 0
    listed: list[dict[str, Any]] = []
    with ExitStack() as stack:
        rows = None
        if out is not None:
            rows = stack.enter_context(open_rows(path=None if out == "-" else Path(out), form=form))
        tell = stack.enter_context(progress_bar(f"grading {file.name}"))
        for body in read_pieces(path=file, source=file.stem[:64], run="file", progress=tell):
            batch = body.parsed.batch
            verdicts = compiled.grade(batch=batch)
            total = total.merge(tally(batch=batch, verdicts=verdicts, compiled=compiled))
            if rows is not None:
                rows.write(graded_table(batch=batch, verdicts=verdicts, compiled=compiled))
            for position, findings in sorted(body.parsed.refused.items()):
                refused += 1
                if len(listed) < LISTED:
                    listed.append({
                        "position": first + position, "seq": body.seq(position),
                        "errors": [{"pointer": f.pointer, "code": f.code, "message": f.message,
                                    "remedy": f.remedy} for f in findings]})
            first += body.n
    found = packout(tally=total, compiled=compiled)
    return {
        "file": str(file),
        "records": first,
        "graded_under": standing(compiled=compiled),
        "packout": found,
        "size_by_grade": _size_by_grade(total, compiled),
        "culls": culls(tally=total, compiled=compiled),
        "not_measured": dict(total.missing),
        "refused": {"count": refused, "listed": listed},
        "out": out,
        "notice": found["notice"],
    }


def _size_by_grade(total: Any, compiled: Any) -> list[dict[str, Any]]:
    from service.summary import shares

    counts = total.counts.sum(axis=(1, 3))
    flat = shares(counts=counts.reshape(-1), n=total.n)
    cells = [(s, g) for s in compiled.size_names for g in compiled.grade_names]
    return [{"size": size, "grade": name, **share}
            for (size, name), share in zip(cells, flat, strict=True)]


def _print(result: dict[str, Any]) -> None:
    from rich.table import Table

    screen = console()
    under, found = result["graded_under"], result["packout"]
    screen.print(f"{result['file']}: {result['records']:,} records, {found['n']:,} graded under "
                 f"{under['standard']} ({under['title']})", markup=False)
    if not under["verified"]:
        screen.print("Some numbers of this standard are unverified: see `drupe standard show`.")
    grades = [(g["code"], g["title"]) for g in found["by_grade"]]
    sizes = [(s["code"], s["title"]) for s in found["by_size"]]
    cells = {(c["size"], c["grade"]): c for c in result["size_by_grade"]}
    table = Table(title="Fruit by size and grade: count, share, exact 95 % interval",
                  title_justify="left")
    table.add_column("size")
    for _, title in grades:
        table.add_column(title, justify="right")
    table.add_column("all", justify="right")
    for (code, title), whole in zip(sizes, found["by_size"], strict=True):
        row = [cells[code, grade] for grade, _ in grades]
        table.add_row(title, *map(_share, row), _share(whole))
    table.add_section()
    table.add_row("all", *map(_share, found["by_grade"]), f"n = {found['n']:,}")
    screen.print(table)
    culled = result["culls"]
    if culled["culls"]:
        causes = Table(title=f"Culls by the reason that settled it (n = {culled['culls']:,})",
                       title_justify="left")
        for name in ("reason", "count, share, exact 95 % interval"):
            causes.add_column(name)
        for row in culled["decisive"]:
            causes.add_row(row["title"], _share(row))
        screen.print(causes)
    missing = [f"{name} {n:,}" for name, n in result["not_measured"].items() if n]
    if missing:
        screen.print(f"Not measured, of {found['n']:,}: {', '.join(missing)}.")
    for line in _refused_lines(result):
        click.echo(line)
    if result["out"]:
        click.echo(f"Graded rows: {result['out']}")
    click.echo(result["notice"])


def _share(cell: dict[str, Any]) -> str:
    if not cell["count"]:
        return "0"
    return (f"{cell['count']:,}  {cell['share']:.1%} "
            f"({100 * cell['low']:.1f}-{100 * cell['high']:.1f})")


def _refused_lines(result: dict[str, Any]) -> list[str]:
    refused = result["refused"]
    if not refused["count"]:
        return []
    lines = [f"Refused: {refused['count']:,} of {result['records']:,} records."]
    for item in refused["listed"]:
        who = f"record {item['position'] + 1}"
        who += "" if item["seq"] is None else f" (seq {item['seq']})"
        said = "; ".join(f"{e['pointer'] or '/'}: {e['message']} {e['remedy']}"
                         for e in item["errors"])
        lines.append(f"  {who}: {said}")
    if refused["count"] > len(refused["listed"]):
        lines.append(f"  and {refused['count'] - len(refused['listed']):,} more")
    return lines
