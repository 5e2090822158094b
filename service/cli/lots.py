"""`drupe lots`: what has been packed."""

from __future__ import annotations

import json
import urllib.error
import urllib.request
from functools import partial
from pathlib import Path
from typing import Any
from urllib.parse import quote

import click

from service.cli.say import UNREACHABLE, Fail, console, json_option, say, told_failures


@click.command()
@click.option("--data", type=click.Path(path_type=Path), default=Path("drupe-data"),
              show_default=True, help="Data folder; a running service does not mind.")
@click.option("--url", help="Ask a running service instead, for instance http://127.0.0.1:8747.")
@json_option
def lots(data: Path, url: str | None, as_json: bool) -> None:
    """List lots with how many fruit each holds.

    \b
    Examples:
      drupe lots --data drupe-data
      drupe lots --url http://127.0.0.1:8747 --json
    """
    with told_failures():
        value = {"lots": _from_service(url) if url else _from_data(data)}
    say(value=value, as_json=as_json, text=_print)


def _from_service(url: str) -> list[dict[str, Any]]:
    if not url.startswith(("http://", "https://")):
        raise Fail(f"{url} is no web address; begin with http://", code=UNREACHABLE)
    found: list[dict[str, Any]] = []
    after = ""
    while True:
        address = f"{url.rstrip('/')}/v1/lots?limit=500&after={quote(after)}"
        try:
            with urllib.request.urlopen(address, timeout=10) as answer:
                page = json.load(answer)
            found += page["lots"]
        except (OSError, ValueError, KeyError) as wrong:
            raise Fail(f"{url} does not answer as drupe does ({wrong}); check the address and "
                       "that `drupe serve` runs", code=UNREACHABLE) from wrong
        if not page.get("next"):
            return found
        after = page["next"]


def _from_data(data: Path) -> list[dict[str, Any]]:
    from service.cli.data import open_reader
    from service.store.lots import Lot, list_lots

    with open_reader(data=data) as reader:
        counts = {row["lot"]: row["n"] for row in reader.query(
            "SELECT lot, sum(n) AS n FROM chunk WHERE kind = 'line' GROUP BY lot")}
        found: list[Lot] = []
        while page := reader.read(partial(list_lots, after=found[-1].id if found else None)):
            found += page
    return [
        {"id": lot.id, "grower": lot.grower, "block": lot.block, "cultivar": lot.cultivar,
         "pick": lot.pick, "status": "open" if lot.closed_ms is None else "closed",
         "line": lot.line, "fruit": counts.get(lot.id, 0),
         "graded_under": {"standard": f"{lot.standard_id}@{lot.standard_edition}"}}
        for lot in found]


def _print(value: dict[str, Any]) -> None:
    from rich.table import Table

    if not value["lots"]:
        click.echo("No lots yet.")
        return
    table = Table()
    for name in ("lot", "grower", "block", "cultivar", "pick", "standard", "status"):
        table.add_column(name)
    table.add_column("fruit", justify="right")
    for lot in value["lots"]:
        table.add_row(lot["id"], lot["grower"], lot["block"], lot["cultivar"], str(lot["pick"]),
                      lot["graded_under"]["standard"], lot["status"], f"{lot['fruit']:,}")
    console().print(table)
