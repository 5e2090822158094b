"""`grading/` stays pure: same records and same standard give the same grade, anywhere, any time.

The layers between packages are import-linter's; this reads the source for what it cannot see:
the standard library's impure modules, and calls that touch a file, a terminal or a clock.
"""

from __future__ import annotations

import ast
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

GRADING = Path(__file__).resolve().parents[2] / "grading"
FILES = sorted(GRADING.rglob("*.py"))

LIBRARIES = frozenset({"grading", "msgspec", "numpy", "pydantic", "pydantic_core"})
IMPURE_MODULES = frozenset(
    {"asyncio", "http", "logging", "multiprocessing", "os", "random", "secrets", "shutil"}
    | {"signal", "socket", "sqlite3", "subprocess", "tempfile", "threading", "time", "urllib"}
)
IMPURE_CALLS = frozenset({"__import__", "breakpoint", "eval", "exec", "input", "open", "print"})
CLOCK_CALLS = frozenset({"now", "today", "utcnow"})


def _imported(node: ast.AST) -> Iterator[str]:
    if isinstance(node, ast.Import):
        yield from (alias.name.partition(".")[0] for alias in node.names)
    elif isinstance(node, ast.ImportFrom):
        # A relative import that climbs stays inside the package: Python itself sees to that.
        yield "grading" if node.level else (node.module or "").partition(".")[0]


def impurities(source: str) -> list[str]:
    """Each forbidden import or call in `source`, as "line N: what"."""
    found: list[tuple[int, str]] = []
    for node in ast.walk(ast.parse(source)):
        for module in _imported(node):
            allowed = module in LIBRARIES or module in sys.stdlib_module_names
            if module in IMPURE_MODULES or not allowed:
                found.append((getattr(node, "lineno", 0), f"import of {module}"))
        if isinstance(node, ast.Call):
            function = node.func
            if isinstance(function, ast.Name) and function.id in IMPURE_CALLS:
                found.append((node.lineno, f"call of {function.id}()"))
            elif isinstance(function, ast.Attribute) and function.attr in CLOCK_CALLS:
                found.append((node.lineno, f"call of .{function.attr}()"))
            elif isinstance(function, ast.Attribute) and function.attr == "open":
                found.append((node.lineno, "call of .open()"))
    return [f"line {line}: {what}" for line, what in sorted(found)]


def test_the_walk_finds_the_package() -> None:
    assert FILES, f"no Python file under {GRADING}"


@pytest.mark.parametrize("path", FILES, ids=lambda path: path.relative_to(GRADING).as_posix())
def test_grading_is_pure(path: Path) -> None:
    assert impurities(path.read_text(encoding="utf-8")) == []


@pytest.mark.parametrize(
    ("source", "expected"),
    [
        ("import os", ["line 1: import of os"]),
        ("import os.path as p", ["line 1: import of os"]),
        ("from time import monotonic", ["line 1: import of time"]),
        ("def f():\n    import sqlite3", ["line 2: import of sqlite3"]),
        ("import pyarrow", ["line 1: import of pyarrow"]),
        ("from service.clock import Clock", ["line 1: import of service"]),
        ("x = open('a')", ["line 1: call of open()"]),
        ("print(1)", ["line 1: call of print()"]),
        ("p.open()", ["line 1: call of .open()"]),
        ("datetime.now()", ["line 1: call of .now()"]),
        ("date.today()", ["line 1: call of .today()"]),
        ("from . import bands\nfrom ..grading import x\nimport math, numpy.typing", []),
        ("from grading.bands import Band\nopened = lot.opened_on", []),
    ],
)
def test_the_walk_sees_what_it_should(source: str, expected: list[str]) -> None:
    assert impurities(source) == expected
