"""Print what pytest counted, "N passed, N failed, N skipped", from its JUnit report.

The coverage report comes after pytest's own closing line, so this says it again, last.
A test whose teardown or collection broke counts as failed. Exit 1 when there is no report.
"""

from __future__ import annotations

import sys
from pathlib import Path
from xml.etree import ElementTree


def closing_line(report: Path) -> str:
    """The counts in `report`, each test once, by the worst that befell it."""
    worst: dict[tuple[str | None, str | None], str] = {}
    for case in ElementTree.parse(report).iter("testcase"):
        outcomes = {child.tag for child in case}
        outcome = (
            "failed"
            if outcomes & {"failure", "error"}
            else "skipped"
            if "skipped" in outcomes
            else "passed"
        )
        key = (case.get("classname"), case.get("name"))
        if worst.get(key) != "failed":
            worst[key] = outcome
    counts = list(worst.values())
    passed, failed, skipped = (counts.count(what) for what in ("passed", "failed", "skipped"))
    return f"{passed} passed, {failed} failed" + (f", {skipped} skipped" if skipped else "")


if __name__ == "__main__":
    path = Path(sys.argv[1])
    if not path.is_file():
        sys.exit(f"no test report at {path}: pytest did not finish")
    print(closing_line(path))
