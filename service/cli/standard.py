"""`drupe standard`: pack standards as data."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import click

from service.cli.say import REFUSED, UNREACHABLE, Fail, console, json_option, say, told_failures


@click.group()
def standard() -> None:
    """Look at pack standards, and check one before the house uses it.

    \b
    Examples:
      drupe standard list
      drupe standard show house-long-distance
      drupe standard check my-standard.toml
      drupe standard schema > standard.schema.json
    """


@standard.command("list")
@json_option
def list_(as_json: bool) -> None:
    """List the standards on hand, and the cultivar profiles."""
    from service.library import Library

    with told_failures():
        library = Library()
        value = {
            "standards": [_brief(s) for s in library.standards()],
            "cultivars": [{"id": p.id, "title": p.title, "produce": p.produce}
                          for p in library.profiles()],
        }
    say(value=value, as_json=as_json, text=_print_list)


def _brief(found: Any) -> dict[str, Any]:
    return {
        "id": found.id, "edition": found.edition, "title": found.title, "body": found.body,
        "produce": list(found.produce), "verified": found.verified,
        "in_force_from": found.in_force_from.isoformat(),
        "bases": [t.basis for t in found.sizing if not t.overlap],
        "digest": found.digest(),
    }


def _print_list(value: dict[str, Any]) -> None:
    from rich.table import Table

    screen = console()
    table = Table(title="Pack standards", title_justify="left")
    for name in ("id@edition", "title", "produce", "sizes by", "numbers"):
        table.add_column(name)
    for s in value["standards"]:
        table.add_row(f"{s['id']}@{s['edition']}", s["title"], ", ".join(s["produce"]),
                      ", ".join(s["bases"]), "verified" if s["verified"] else "some unverified")
    screen.print(table)
    table = Table(title="Cultivar profiles", title_justify="left")
    for name in ("id", "title", "produce"):
        table.add_column(name)
    for p in value["cultivars"]:
        table.add_row(p["id"], p["title"], p["produce"])
    screen.print(table)


@standard.command()
@click.argument("name", metavar="ID")
@json_option
def show(name: str, as_json: bool) -> None:
    """Show a standard: id, id@edition or the path of its file.

    With --json the whole standard in its canonical form; its SHA-256 is the digest that every
    stored verdict carries.
    """
    from service.library import find_standard

    with told_failures():
        found = find_standard(name)
    if as_json:
        click.echo(json.dumps({"digest": found.digest(), "standard": json.loads(found.canonical())},
                              ensure_ascii=False, indent=2))
        return
    _print_standard(found)


def _print_standard(found: Any) -> None:
    from grading.numbers import EVIDENCE_TITLES, number_text

    screen = console()

    def line(text: str) -> None:
        screen.print(text, markup=False)

    line(f"{found.name}: {found.title} ({found.body})")
    line(f"digest {found.digest()}")
    line(f"produce: {', '.join(found.produce)}; in force from {found.in_force_from}")
    for table in found.sizing:
        ends = ", ".join(
            f"{b.code} {'' if b.low is None else number_text(b.low)} to "
            f"{'' if b.high is None else number_text(b.high)}".replace("  ", " ")
            for b in table.bands)
        line(f"size by {table.basis} in {table.unit}, {table.closed} end included: {ends}")
    if found.maturity:
        by = ", ".join(dict.fromkeys(b.measure for b in found.maturity.by))
        line(f"maturity: {', '.join(found.maturity.classes)}; from {by} ({found.maturity.combine})")
    for grade in found.grade:
        line(f"grade {grade.id}: {grade.title}, {len(grade.requires)} requirements")
    line(f"otherwise: {found.cull_title}")
    for pack in found.pack:
        line(f"pack {pack.id}: {pack.title}")
    line(f"tolerances: {len(found.tolerance)}")
    for tag, places in sorted(found.evidence().items()):
        line(f"evidence {tag} ({EVIDENCE_TITLES.get(tag, tag)}): {len(places)} places")
    if not found.verified:
        line("Some numbers of this standard are unverified.")
    if found.note:
        line(found.note.strip())


@standard.command()
@click.argument("file", type=click.Path(path_type=Path))
@json_option
def check(file: Path, as_json: bool) -> None:
    """Check a standard FILE (.toml): that it reads, that its bands are in order, that every fruit
    gets one outcome. Names every fault at once; exit code 1 if there is any."""
    from grading.errors import StandardError
    from grading.standard import load_standard

    try:
        text = file.read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError) as wrong:
        raise Fail(f"{file} cannot be read ({wrong}); check the path", code=UNREACHABLE) from wrong
    try:
        found = load_standard(text=text, name=file.name)
        value: dict[str, Any] = {"file": str(file), "usable": True, "standard": found.name,
                                 "digest": found.digest(), "errors": []}
    except StandardError as error:
        value = {"file": str(file), "usable": False, "errors": [
            {"pointer": f.pointer, "code": f.code, "message": f.message, "remedy": f.remedy}
            for f in error.findings]}
    say(value=value, as_json=as_json, text=_print_check)
    if not value["usable"]:
        raise SystemExit(REFUSED)


def _print_check(value: dict[str, Any]) -> None:
    if value["usable"]:
        click.echo(f"{value['file']}: {value['standard']} can be used, digest {value['digest']}")
        return
    click.echo(f"{value['file']}: {len(value['errors'])} faults")
    for e in value["errors"]:
        click.echo(f"  {e['pointer'] or '/'}: {e['message']} {e['remedy']}".rstrip())


@standard.command()
@json_option
def schema(as_json: bool) -> None:
    """Print the JSON Schema of a standard file (it is JSON with or without --json)."""
    from grading.standard import PackStandard

    click.echo(json.dumps(PackStandard.model_json_schema(by_alias=True), ensure_ascii=False,
                          indent=2))
