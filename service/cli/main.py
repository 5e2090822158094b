"""The group of commands. Each one's work is in its own file, loaded when it is called."""

from __future__ import annotations

from importlib import import_module
from importlib.metadata import PackageNotFoundError, version
from typing import Final

import click

COMMANDS: Final = {
    "serve": ("service.cli.serve", "serve"),
    "grade": ("service.cli.grade", "grade"),
    "lots": ("service.cli.lots", "lots"),
    "standard": ("service.cli.standard", "standard"),
    "backup": ("service.cli.data", "backup"),
    "restore": ("service.cli.data", "restore"),
    "verify": ("service.cli.data", "verify"),
    "export": ("service.cli.data", "export"),
    "simulate": ("service.cli.simulate", "simulate"),
    "score": ("service.cli.score", "score"),
}


class Late(click.Group):
    """A group whose commands are imported one by one."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        if cmd_name not in COMMANDS:
            return None
        module, name = COMMANDS[cmd_name]
        command = getattr(import_module(module), name)
        assert isinstance(command, click.Command)
        return command


def _version() -> str:
    try:
        return version("drupe")
    except PackageNotFoundError:
        return "not installed"


@click.group(cls=Late, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(_version(), prog_name="drupe")
def main() -> None:
    """Grade peaches and nectarines from the measurements of a packing line.

    \b
    Start here:
      drupe standard list                       which pack standards are on hand
      drupe grade fruit.csv --standard house-long-distance
                                                grade a file, no server needed
      drupe serve --data drupe-data             take fruit from a line over HTTP
      drupe lots --data drupe-data              what has been packed so far
      drupe simulate --list                     invented shifts to try it with

    Every command takes --json for an answer that a program can read, and --help for its own
    examples. What drupe prints is a house record, not an official certificate.

    \b
    Exit codes:
      0  done, nothing refused
      1  done, but something was refused, or a check failed
      2  the command line or a setting is wrong
      3  what was named cannot be reached or opened
      4  data are damaged
    """


if __name__ == "__main__":
    main()
