"""The rule in the three-way answer: other standards, other size bases, cuts moved in part of a
stretch, and a rule that is the same."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from service.evidence import Stretch, window_of
from service.rule_facts import rule_facts
from tests.api.test_cuts import MINUTE_MS, House
from tests.support.app import NOON_MS, open_lot, service
from tests.support.line import register

BEFORE = Stretch(NOON_MS, NOON_MS + 10 * MINUTE_MS)
AFTER = Stretch(NOON_MS + 10 * MINUTE_MS, NOON_MS + 20 * MINUTE_MS)


@pytest.fixture
def house(tmp_path: Path) -> Iterator[House]:
    made = House()
    with service(tmp_path, now_ms=lambda: made.now_ms) as client:
        made.client = client
        made.headers = register(made.post)
        yield made


def facts(house: House) -> Any:
    ctx: Any = house.client.app.state.context  # type: ignore[attr-defined]
    line = ctx.lines.get("line-1")
    a, b = (window_of(ctx, line, s) for s in (BEFORE, AFTER))
    return rule_facts(ctx, a, b, BEFORE, AFTER, "culls")


def send(house: House, stretch: Stretch, *seqs: int, **changes: Any) -> None:
    house.now_ms = stretch.from_ms + 5 * MINUTE_MS
    house.send(*seqs, time_unix_ms=house.now_ms, **changes)


def pack(house: House, **lot: Any) -> None:
    open_lot(house.client, **lot)
    house.post("/v1/lines/line-1/lot", {"lot": lot["id"], "person": "M. Orrin"})


def test_the_same_standard_is_the_same_rule_in_any_lot(house: House) -> None:
    send(house, BEFORE, 1, 2)
    pack(house, id="L-2", cultivar="tansy-flare")
    send(house, AFTER, 3)
    found = facts(house)
    assert found.a == found.b and found.regraded is None


def test_another_standard_is_told_by_its_name_and_counted_by_culls(house: House) -> None:
    """Fruit of 50 mm are below the long-distance scale, and sound under the peach standard."""
    send(house, BEFORE, 1, 2)
    pack(house, id="L-2", standard="us-peaches")
    send(house, AFTER, 3, 4, 5, diameter_mm=50.0)
    send(house, AFTER, 6)
    found = facts(house)
    assert found.change == "house-long-distance@3 before, us-peaches@2004 after"
    assert (found.regraded.changed, found.regraded.n) == (3, 4)
    assert (found.regraded.outcome.x, found.regraded.outcome.n) == (3, 4)


def test_a_rule_that_cannot_grade_the_later_fruit_is_not_guessed(house: House) -> None:
    """The peach standard has no classes by weight."""
    pack(house, id="L-1", standard="us-peaches")
    send(house, BEFORE, 1)
    pack(house, id="L-2", basis="mass")
    send(house, AFTER, 2, mass_g=150.0)
    assert facts(house).regraded is None


def test_a_cut_moved_in_part_of_the_later_stretch_is_regraded_for_that_part(house: House) -> None:
    send(house, BEFORE, 1, 2, 3)
    send(house, AFTER, 4, 5)
    house.move()
    send(house, AFTER, 6, 7, 8)
    found = facts(house)
    assert (found.regraded.changed, found.regraded.n) == (3, 5)
    assert "diameter 63.5 to 62 mm by M. Orrin" in found.change
    assert "still in force" in found.change
    house.post("/v1/lines/line-1/cuts/1/revert")
    assert "reverted by somebody unnamed" in facts(house).change


def test_reverting_is_a_change_of_the_rule_too(house: House) -> None:
    house.move()
    send(house, BEFORE, 1, 2, 3)
    house.client.delete("/v1/lines/line-1/cuts/1?person=A.%20Voss")
    send(house, AFTER, 4, 5)
    found = facts(house)
    assert (found.regraded.changed, found.regraded.n) == (2, 2)
    assert "reverted by A. Voss" in found.change
