"""Lines of the speed report."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Line:
    """What was compared, the figure, and the bar or the limit it is held against."""

    what: str
    figure: str
    note: str = ""


def show(title: str, lines: list[Line]) -> None:
    print(f"\n{title}")
    for line in lines:
        print(f"  {line.what:<44} {line.figure:<44} {line.note}", flush=True)
