"""Every published lot-level check case is either run as a test or listed here with its reason."""

from __future__ import annotations

from importlib import import_module
from pathlib import Path

EXPECTED_UNSUPPORTED: dict[str, str] = {}

LOT_CASES = (
    *(f"US-P{i}" for i in (*range(2, 10), 11, 12)), *(f"US-N{i}" for i in (5, 6, 7)),
    *(f"US-I{i}" for i in (1, 2, 3)), *(f"WA-{i}" for i in (3, 4, 5, 6)),
    *(f"EU-{i}" for i in (3, 6, 7, 9, 10, 12)), *(f"OE-{i}" for i in range(1, 6)),
    *(f"CX-{i}" for i in range(1, 5)), *(f"CA-{i}" for i in (2, 3, 4, 5)),
    *(f"OT-{i}" for i in (3, 4, 5)),
)


def covered() -> set[str]:
    """Case ids that the case files register, each in its own CASES."""
    here = Path(__file__).parent
    return {
        name for file in ("test_lot_cases", "test_published_cases")
        if (here / f"{file}.py").exists()
        for name in getattr(import_module(f"tests.reference.{file}"), "CASES", ())}


def test_the_list_stays_short_and_gives_reasons() -> None:
    assert len(EXPECTED_UNSUPPORTED) <= 8
    assert all(EXPECTED_UNSUPPORTED.values())


def test_every_case_is_accounted_for() -> None:
    assert set(LOT_CASES) - covered() - set(EXPECTED_UNSUPPORTED) == set()


def test_nothing_is_both_run_and_excused() -> None:
    assert covered() & set(EXPECTED_UNSUPPORTED) == set()
