"""What every command shares: how it speaks, how it fails, how it shows progress."""

from __future__ import annotations

import json
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Any, Final

import click

OK: Final = 0
REFUSED: Final = 1
WRONG: Final = 2  # the command line or a setting; click's own code too
UNREACHABLE: Final = 3
DAMAGED: Final = 4

_NOT_THERE: Final = {"unknown", "not_found", "not_readable"}


class Fail(click.ClickException):
    """Ends the command with one message on standard error and an exit code."""

    def __init__(self, message: str, *, code: int) -> None:
        super().__init__(message)
        vars(self)["exit_code"] = code  # click declares it for the class

    def show(self, file: Any = None) -> None:
        click.echo(f"drupe: {self.message}", err=True)


json_option = click.option("--json", "as_json", is_flag=True, help="Answer in JSON.")


def say(*, value: Any, as_json: bool, text: Callable[[Any], None]) -> None:
    """A result as JSON on standard output, or as `text` prints it."""
    if as_json:
        click.echo(json.dumps(value, ensure_ascii=False, indent=2))
    else:
        text(value)


def console() -> Any:
    """Rich console on standard output, made for each use so that redirection is seen."""
    from rich.console import Console

    return Console(file=sys.stdout, highlight=False,
                   width=None if sys.stdout.isatty() else 120)


@contextmanager
def told_failures() -> Iterator[None]:
    """Errors of the packages below as messages with the documented exit codes."""
    from grading.errors import StandardError
    from service.ingest.faults import BodyError
    from service.ingest.files import FileError
    from service.store.errors import ChunkDamaged, StoreError

    try:
        yield
    except StandardError as error:
        lines = "".join(f"\n  {f.text()}" for f in error.findings)
        missing = any(f.code in _NOT_THERE for f in error.findings)
        raise Fail(f"{error.name} cannot be used:{lines}",
                   code=UNREACHABLE if missing else REFUSED) from error
    except BodyError as error:
        lines = "".join(f"\n  {f.text()}" for f in error.findings)
        raise Fail(f"the file cannot be read as fruit records:{lines}", code=DAMAGED) from error
    except ChunkDamaged as error:
        raise Fail(str(error), code=DAMAGED) from error
    except (FileError, StoreError) as error:
        raise Fail(str(error), code=UNREACHABLE) from error


@contextmanager
def progress_bar(label: str) -> Iterator[Callable[[int, int], None]]:
    """A function to call with (done, in all); a bar on standard error where that is a terminal."""
    from rich.console import Console
    from rich.progress import (
        BarColumn,
        Progress,
        TaskProgressColumn,
        TextColumn,
        TimeRemainingColumn,
    )

    shown = sys.stderr.isatty()
    with Progress(TextColumn("{task.description}"), BarColumn(), TaskProgressColumn(),
                  TimeRemainingColumn(), console=Console(file=sys.stderr), transient=True,
                  disable=not shown) as bar:
        task = bar.add_task(label, total=None)

        def tell(done: int, total: int) -> None:
            bar.update(task, completed=done, total=total)

        yield tell
