"""`drupe simulate`: an invented shift, played to a running service or written to files."""

from __future__ import annotations

import signal
import threading
import time
from pathlib import Path
from typing import Any, Literal

import click

from service.cli.say import (
    UNREACHABLE,
    Fail,
    console,
    json_option,
    progress_bar,
    say,
    told_failures,
)

LOOK_S = 0.25


@click.command()
@click.argument("plan", required=False)
@click.option("--to", metavar="ADDRESS|FOLDER",
              help="http://HOST:PORT of a running service, or a folder for files.")
@click.option("--speed", type=click.FloatRange(0.1, 1000), default=1.0, show_default=True,
              help="How many times faster than true speed (a service only).")
@click.option("--by", type=click.Choice(["http", "stream"]), default="http", show_default=True,
              help="HTTP bodies, or frames of a WebSocket.")
@click.option("--truth", type=click.Path(path_type=Path, file_okay=False), metavar="FOLDER",
              help="Write the truth beside the stream here.  [with files: FOLDER/truth]")
@click.option("--seed", type=click.IntRange(0, 2**63 - 1),
              help="Another number, other fruit.  [the plan's own]")
@click.option("--hours", type=click.FloatRange(0.001, 72), help="Cut the shift short.")
@click.option("--form", type=click.Choice(["ndjson", "parquet"]), default="ndjson",
              show_default=True, help="Form of the records in a folder.")
@click.option("--run", "run_name", metavar="NAME",
              help="Name of the run, so that a shift can be played twice.  [the time]")
@click.option("--list", "listed", is_flag=True, help="List the shipped plans and the events.")
@json_option
def simulate(
    plan: str | None, to: str | None, speed: float, by: Literal["http", "stream"],
    truth: Path | None, seed: int | None, hours: float | None, form: str, run_name: str | None,
    listed: bool, as_json: bool,
) -> None:
    """Play the shift of PLAN: lots, lines and sensors with their troubles, all invented.

    PLAN is the name of a shipped plan, the path of a TOML file, or "random" for a shift drawn
    from --seed. The same plan and seed give the same fruit. The truth is written beside the
    stream: one Parquet file a line with every fruit as it is, and truth.json with the events,
    their times, sizes, lanes and whether each is of the fruit, the measurement or the rule.

    \b
    Examples:
      drupe simulate --list
      drupe simulate lane-offset --to http://127.0.0.1:8747 --speed 10 --truth truth
      drupe simulate network-trouble --to http://127.0.0.1:8747 --by stream
      drupe simulate random --seed 7 --to shift-7 --form parquet
      drupe simulate forgotten-cut --to http://127.0.0.1:8747 --speed 10
    """
    if listed:
        say(value=_listing(), as_json=as_json, text=_print_listing)
        return
    if plan is None or to is None:
        raise click.UsageError("name a PLAN and --to, or ask for --list")
    with told_failures():
        shift = _shift(plan, seed, hours)
        if "://" in to:
            result = _play(shift, to, speed=speed, by=by, truth=truth, run=run_name)
        else:
            result = _write(shift, Path(to), form, truth)
    say(value=result, as_json=as_json, text=_print)
    if result.get("trouble"):
        raise Fail("; ".join(result["trouble"]), code=UNREACHABLE)


def _shift(plan: str, seed: int | None, hours: float | None) -> Any:
    from service.simulator import Shift, load_plan, random_plan

    found = random_plan(seed=seed or 0) if plan == "random" else load_plan(plan)
    if hours is not None:
        found = found.model_copy(update={"hours": min(hours, found.hours)})
    return Shift(plan=found, seed=seed)


def _write(shift: Any, folder: Path, form: str, truth: Path | None) -> dict[str, Any]:
    from service.simulator.files import seal, write_records, write_truth

    try:
        paths = write_records(shift=shift, folder=folder, form=form)
        paths += write_truth(shift=shift, folder=truth or folder / "truth")
    except OSError as wrong:
        raise Fail(f"{wrong.filename or folder} cannot be written: {wrong.strerror}",
                   code=UNREACHABLE) from wrong
    return {**seal(shift=shift), "to": str(folder), "files": [str(p) for p in paths],
            "fruit": sum(len(line) for line in shift.lines.values()),
            "events": len(shift.events)}


def _play(
    shift: Any, to: str, *, speed: float, by: Literal["http", "stream"], truth: Path | None,
    run: str | None,
) -> dict[str, Any]:
    import http.client

    from service.simulator.files import seal, write_truth
    from service.simulator.http_api import Ended, Trouble
    from service.simulator.sending import How, Playing

    start_ms = time.time_ns() // 1_000_000
    how = How(to=to, speed=speed, by=by, start_ms=start_ms,
              run=run or time.strftime("sim-%Y%m%d-%H%M%S", time.gmtime(start_ms / 1000)))
    stop = threading.Event()
    before = {name: signal.signal(name, lambda *_: stop.set())
              for name in (signal.SIGINT, signal.SIGTERM)}
    files: list[Path] = []
    try:
        playing = Playing(shift=shift, how=how, stop=stop)
        if truth is not None:
            files = write_truth(shift=shift, folder=truth, start_ms=start_ms, speed=speed)
        _watch(playing, shift)
    except (Trouble, Ended, OSError, http.client.HTTPException) as wrong:
        stop.set()
        raise Fail(f"cannot play to {to}: {wrong}", code=UNREACHABLE) from wrong
    finally:
        for name, handler in before.items():
            signal.signal(name, handler)
    result = {**seal(shift=shift, start_ms=start_ms, speed=speed), "to": to, "by": by,
              "run": how.run, "ended_early": stop.is_set(), "acknowledged": playing.tally.counts,
              "lines": {p.line.id: _played(p.played) for p in playing.players},
              "trouble": playing.troubles, "files": [str(p) for p in files],
              "fruit": playing.fruit, "events": len(shift.events)}
    if truth is not None:
        import json

        sent = truth / "sent.json"
        sent.write_text(json.dumps(result, indent=1) + "\n", "utf-8")
        result["files"].append(str(sent))
    return result


def _played(played: Any) -> dict[str, Any]:
    from dataclasses import asdict

    return asdict(played)


def _watch(playing: Any, shift: Any) -> None:
    total = sum(len(line) for line in shift.lines.values())
    with progress_bar(f"playing {shift.plan.name}") as tell:
        while playing.going:
            tell(playing.fruit, total)
            for player in playing.players:
                player.join(timeout=LOOK_S)
        playing.end()


def _print(result: dict[str, Any]) -> None:
    click.echo(f"{result['plan']}, seed {result['seed']}: {result['fruit']:,} fruit "
               f"{'played' if 'by' in result else 'written'} to {result['to']}, "
               f"{result['events']} events")
    if "by" in result:
        said = result["acknowledged"]
        click.echo(", ".join(f"{said[name]:,} {name.replace('_', ' ')}" for name in said)
                   + f" (run {result['run']})")
        for name, line in result["lines"].items():
            lots = ", ".join(f"{lot} {n:,}" for lot, n in line["lots"].items())
            click.echo(f"  {name}: {line['records']:,} records ({lots}), {line['repeats']:,} "
                       f"repeats, {line['breaks']} breaks, {line['pulls']} pulls, "
                       f"{line['checks']} checks")
            if line["cuts"]:
                click.echo(f"  {name}: changes of cut "
                           f"{', '.join(map(str, line['cuts']))} on /lines/{name}")
        if result["ended_early"]:
            click.echo("Ended before the shift was over.")
    for path in result["files"]:
        click.echo(f"  {path}")


def _listing() -> dict[str, Any]:
    from service.simulator import KINDS, shipped_plans

    return {
        "plans": [{"name": p.name, "title": p.title, "hours": p.hours,
                   "lines": [line.id for line in p.line],
                   "events": [e.kind for e in p.event], "digest": p.digest()}
                  for p in shipped_plans()],
        "events": [{"kind": name, "cause": kind.cause, "size": kind.size,
                    "measures": list(kind.measures)} for name, kind in KINDS.items()],
    }


def _print_listing(listing: dict[str, Any]) -> None:
    from rich.table import Table

    plans = Table(title="Plans", title_justify="left")
    for name in ("name", "hours", "lines", "events", "what happens"):
        plans.add_column(name)
    for plan in listing["plans"]:
        plans.add_row(plan["name"], f"{plan['hours']:g}", str(len(plan["lines"])),
                      str(len(plan["events"])), plan["title"])
    plans.add_row("random", "3", "1", "", "drawn from --seed: one change of one cause, or none")
    kinds = Table(title="Events of a plan", title_justify="left")
    for name in ("kind", "cause", "its size"):
        kinds.add_column(name)
    for kind in listing["events"]:
        kinds.add_row(kind["kind"], kind["cause"], kind["size"])
    screen = console()
    screen.print(plans)
    screen.print(kinds)
