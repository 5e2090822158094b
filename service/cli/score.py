"""`drupe score`: simulated shifts with known truth through the service, and how it did."""

from __future__ import annotations

from dataclasses import asdict
from typing import Any

import click

from service.cli.say import REFUSED, console, json_option, progress_bar, say


@click.command()
@click.option("--shifts", type=click.IntRange(0, 10_000), default=200, show_default=True,
              help="Random shifts of 3 hours, all causes mixed.")
@click.option("--quiet-shifts", type=click.IntRange(0, 1_000), default=40, show_default=True,
              help="Shifts of 8 hours in which nothing happens.")
@click.option("--few", type=click.IntRange(0, 1_000), default=20, show_default=True,
              help="Shifts of one lane 0.5 mm off, and of 3 degrees of hue.")
@click.option("--noisy", type=click.IntRange(0, 100), default=1, show_default=True,
              help="Noisy shifts, for the alarms.")
@click.option("--seed", type=click.IntRange(0, 2**62), default=2_000_000, show_default=True,
              help="First seed. Those under 10,000 are for development.")
@click.option("--processes", type=click.IntRange(1, 64), default=2, show_default=True,
              help="Shifts played at the same time.")
@json_option
def score(
    shifts: int, quiet_shifts: int, few: int, noisy: int, seed: int, processes: int, as_json: bool
) -> None:
    """Score what the service finds on simulated shifts whose truth is known.

    Every shift runs through the service itself: fruit graded and stored, pulls and checks posted,
    lots turned and cuts moved, each at its time. What it found is then held against the plan:
    was the rule, the measurement or the fruit named, and only where it could be told? Exit code 1
    if a bar is missed.

    \b
    Examples:
      drupe score --shifts 20 --quiet-shifts 0 --few 0 --noisy 0 --seed 0
      drupe score --processes 4 --json > score.json
    """
    from service.score.suite import cases, run

    wanted = cases(shifts=shifts, quiet=quiet_shifts, few=few, noisy=noisy, seed=seed)
    if not wanted:
        raise click.UsageError("there is nothing to play: ask for at least one shift")
    with progress_bar("playing shifts") as tell:
        report = run(wanted=wanted, processes=processes, tell=tell)
    say(value=_plain(report, seed), as_json=as_json, text=lambda _: _print(report, seed))
    if not report.met:
        raise SystemExit(REFUSED)


def _plain(report: Any, seed: int) -> dict[str, Any]:
    return {"seed": seed, "met": report.met, "bars": [asdict(b) for b in report.bars],
            "results": [asdict(r) for r in report.results],
            "misses": [r.case.seed for r in report.misses]}


def _print(report: Any, seed: int) -> None:
    from rich.table import Table

    from service.score.suite import truth_words

    for r in report.misses:
        j = r.judged
        named = ", ".join(j.causes) or ("not separable" if j.open else "nothing")
        click.echo(f"{r.case.name} {r.case.seed}: {truth_words(j.truth)}; answered {named}"
                   + (f", {j.false} of no change" if j.false else ""))
        for line in j.said:
            click.echo(f"    {line}")
    table = Table(title=f"{len(report.results)} shifts from seed {seed}", title_justify="left")
    for name in ("what", "bar", "figure", "met"):
        table.add_column(name)
    for bar in report.bars:
        table.add_row(bar.title, bar.bar, bar.figure,
                      {True: "met", False: "NOT MET", None: ""}[bar.met])
    console().print(table)
