"""Two scenes of a packing day through the public API, with their figures.

The counts and the decision are those of a trade scenario written for this job; its intervals are
the exact binomial ones (Clopper and Pearson 1934), rounded to 0.1 % as printed there.
"""

from __future__ import annotations

from typing import Any

from starlette.testclient import TestClient

from tests.support.app import open_lot

LB_G = 453.59237


def fruit(n: int, **changes: Any) -> list[dict[str, Any]]:
    """n sound fruit of a long-haul lot, in box A."""
    one = {"package": "A", "diameter_mm": 66.0, "firmness_lbf": [13.0, 12.4], "tip_mm": 8,
           "ground_hue_deg": 98.0, "blush_fraction": 0.5, "sugar_brix": 11.6}
    return [{**one, **changes} for _ in range(n)]


def scab(n: int, *, circle_mm: float, **changes: Any) -> list[dict[str, Any]]:
    """Fruit with scab: over a 3/8 in circle is damage, over a 1 in circle serious
    (7 CFR 51.1221 and the serious-damage section, 2015 edition)."""
    return fruit(n, defects=[{"kind": "scab", "circle_mm": circle_mm, "cracked": False}], **changes)


def verdicts(answer: dict[str, Any]) -> dict[str, dict[str, Any]]:
    return {r["id"]: r for r in answer["requirements"] if r["package"] is None}


def percent(part: dict[str, Any]) -> tuple[float, float, float]:
    return tuple(round(part[k] * 100, 1) for k in ("share", "low", "high"))  # type: ignore[return-value]


def test_first_box_release_at_eight_o_clock(client: TestClient) -> None:
    """Scene 4: 50 fruit, 2 1/2 in minimum: 4 undersize, 3 damaged of which 1 serious, no decay."""
    pull = {
        "id": "first-box", "purpose": "packed_box", "person": "M. Lindqvist",
        "drawn_at": "2026-07-14T08:00:00Z",
        "declared": {"grade": "standard", "min_diameter": "2 1/2", "marked_count": 50,
                     "net_weight_g": 25 * LB_G, "pack_form": "loose_carton"},
        "packages": [{"id": "A", "net_weight_g": 25.4 * LB_G}],
        "fruit": [*fruit(43), *fruit(4, diameter_mm=63.4), *scab(2, circle_mm=11),
                  *scab(1, circle_mm=26)],
    }
    answer = client.post("/v1/lots/L-0417/pulls", json=pull)
    assert answer.status_code == 201, answer.text
    body = answer.json()
    parts = verdicts(body)
    assert (parts["undersize"]["x"], parts["undersize"]["n"]) == (4, 50)
    assert percent(parts["undersize"]) == (8.0, 2.2, 19.2)
    assert parts["undersize"]["verdict"] == "meets"
    assert parts["undersize"]["evidence"] == "not shown"
    assert "50 fruit do not show that the lot is under 10 %" in parts["undersize"]["sentence"]
    assert (parts["total"]["x"], percent(parts["total"])[0]) == (3, 6.0)
    assert parts["total"]["verdict"] == "meets"
    assert parts["serious"]["x"] == 1
    assert parts["decay"]["x"] == 0
    assert body["verdict"] == "meets"
    assert body["suggestion"] == "release"
    assert body["next_pull_due"] == "2026-07-14T09:00:00.000Z"
    assert any("one" in w for w in body["warnings"])
    assert body["notice"] == "House record, not an official certificate."


def edge_fruit() -> list[dict[str, Any]]:
    """200 fruit of four boxes: 20 defects, 6 of them serious, 2 of those decay."""
    boxes = []
    for k, name in enumerate("ABCD"):
        serious = [*scab(1, circle_mm=26)]
        decay = fruit(1, defects=[{"kind": "decay"}]) if k < 2 else []
        damaged = scab(5 - len(serious) - len(decay), circle_mm=11)
        boxes += [{**f, "package": name} for f in (
            *fruit(45), *serious, *decay, *damaged)]
    return boxes


def edge_pull() -> dict[str, Any]:
    return {
        "purpose": "packed_box", "person": "M. Lindqvist", "drawn_at": "2026-07-14T11:15:00Z",
        "declared": {"grade": "us_no1"},
        "packages": [{"id": name, "net_weight_g": 25 * LB_G} for name in "ABCD"],
        "fruit": edge_fruit(),
    }


def test_a_lot_at_the_edge_of_its_tolerances(client: TestClient) -> None:
    """Scene 10: 20 of 200 defective, 6 serious, 2 decayed: at the limits of the peach standard."""
    open_lot(client, id="L-edge", standard="us-peaches")
    answer = client.post("/v1/lots/L-edge/pulls", json=edge_pull())
    assert answer.status_code == 201, answer.text
    body = answer.json()
    parts = verdicts(body)
    assert percent(parts["total"]) == (10.0, 6.2, 15.0)
    assert parts["total"]["verdict"] == "meets"
    assert parts["total"]["evidence"] == "not shown"
    assert parts["total"]["more_fruit"] is None  # at exactly the limit no number would tell
    assert (parts["serious"]["x"], percent(parts["serious"])[0]) == (6, 3.0)
    assert percent(parts["decay"]) == (1.0, 0.1, 3.6)
    assert parts["decay"]["verdict"] == "meets"
    assert body["verdict"] != "fails"
    low, high = parts["total"]["low"], parts["total"]["high"]
    assert low < 0.08 and high > 0.12  # the sample cannot tell 8 % from 12 %
    after = parts["total"]["after"]
    assert (after["extra"], round(after["low"] * 100, 1), round(after["high"] * 100, 1)) == (
        300, 7.5, 13.0)


def test_the_same_counts_fail_as_nectarines(client: TestClient) -> None:
    """Scene 10, nectarines: 8 % and 0.5 % are their limits at shipping point."""
    open_lot(client, id="L-nect", standard="us-nectarines", cultivar="tansy-flare")
    body = client.post("/v1/lots/L-nect/pulls", json=edge_pull()).json()
    parts = verdicts(body)
    assert parts["total"]["verdict"] == "fails"
    assert parts["decay"]["verdict"] == "fails"
    assert body["verdict"] == "fails"
    assert body["suggestion"].startswith("hold")
