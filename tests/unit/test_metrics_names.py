"""Every metric that rules, dashboard and documentation name is one that the service has, and the
documentation names all of them. The rules of names are those of Prometheus's practice pages."""

from __future__ import annotations

import json
import re
from pathlib import Path
from typing import Any

import pytest
import yaml
from prometheus_client.parser import text_string_to_metric_families
from starlette.testclient import TestClient

from service.metrics import Metrics
from tests.support.app import open_lot, send, service
from tests.support.line import register

ROOT = Path(__file__).resolve().parents[2]
HERE = ROOT / "docker" / "prometheus"
NAME = re.compile(r"(?<![:\w])((?:grading|process)_[a-z0-9_]+)(?![\w:])")
SUFFIXES = {"counter": ("_total",), "histogram": ("_bucket", "_count", "_sum"), "gauge": ("",)}
UNITS = {"length": "metres", "time": "seconds", "size": "bytes"}
RECORDED = {
    rule["record"]: rule["expr"]
    for group in yaml.safe_load((HERE / "recording.yml").read_text(encoding="utf-8"))["groups"]
    for rule in group["rules"]}


@pytest.fixture(scope="module")
def families(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Any]:
    """What a service with a line, a lot and some fruit exposes, by name."""

    def post(path: str, body: Any) -> Any:
        answer = client.post(path, json=body)
        assert answer.is_success, answer.text
        return answer.json()

    with service(tmp_path_factory.mktemp("data")) as client:
        headers = register(post)
        open_lot(client, id="L-0420")
        assert send(client, [{"seq": 1, "diameter_mm": 66}], lot="L-0420").status_code == 201
        client.post("/v1/records?source=belt-line-1&run=r1", headers=headers,
                    json=[{"seq": 1, "lane": 1, "diameter_mm": 66,
                           "time": "2026-07-14T12:00:00Z"}])
        _tick(client)
        text = client.get("/metrics").text
    return {f.name: f for f in text_string_to_metric_families(text)}


def _tick(client: TestClient) -> None:
    assert client.portal is not None
    client.portal.call(client.app.state.context.alarms.tick)  # type: ignore[attr-defined]


def _exposed(families: dict[str, Any]) -> set[str]:
    return {name + suffix for name, f in families.items() for suffix in SUFFIXES[f.type]}


def _panels() -> list[dict[str, Any]]:
    found: list[dict[str, Any]] = json.loads(
        (HERE / "dashboard.json").read_text(encoding="utf-8"))["panels"]
    return found


def test_rules_and_dashboard_name_what_there_is(families: dict[str, Any]) -> None:
    alerts = [rule["expr"] for group in yaml.safe_load(
        (HERE / "alerts.yml").read_text(encoding="utf-8"))["groups"] for rule in group["rules"]]
    shown = [target["expr"] for panel in _panels() for target in panel["targets"]]
    for expression in [*RECORDED.values(), *alerts, *shown]:
        assert set(NAME.findall(expression)) <= _exposed(families), expression
        assert set(re.findall(r"\b(?:job|line):\w+:\w+", expression)) <= set(RECORDED), expression
        for metric, label in re.findall(r"(grading_\w+)\{(\w+)=", expression):
            (family,) = [f for f in families.values()
                         if metric in {f.name + s for s in SUFFIXES[f.type]}]
            assert all(label in sample.labels for sample in family.samples), expression


def test_the_dashboard_is_small() -> None:
    """At most five graphs and five lines in each, or nobody looks."""
    panels = _panels()
    assert len(panels) <= 5
    assert all(1 <= len(panel["targets"]) <= 5 for panel in panels)
    assert len({panel["id"] for panel in panels}) == len(panels)


def test_names_say_their_unit_and_labels_stay_few(families: dict[str, Any]) -> None:
    ours = {name: f for name, f in families.items() if name.startswith("grading_")}
    assert len(ours) > 40
    for name, family in ours.items():
        assert family.documentation, name
        assert not re.search(r"_(ms|milliseconds|percent|mm|kb|total)$", name), name
        if family.type == "histogram":
            assert name.endswith(("_seconds", "_records")), name
        for sample in family.samples:
            assert not {"lot", "fruit", "grower", "person", "run", "lane"} & set(sample.labels)


def test_label_sets_that_are_known_beforehand_start_at_zero() -> None:
    metrics = Metrics()
    found = {f.name: f for f in metrics.registry.collect()}
    for name, label, values in (
        ("grading_records", "outcome", {"stored", "duplicate", "conflict", "refused",
                                        "lot_closed"}),
        ("grading_clock_records", "off", {"ahead", "doubtful", "late"}),
        ("grading_sources_refused", "why", {"unknown_source", "key_missing", "key_wrong"}),
        ("grading_alarms_announced", "priority", {"urgent", "caution", "advisory"}),
        ("grading_alarms_unacknowledged", "priority", {"urgent", "caution", "advisory"}),
        ("grading_mqtt_messages", "outcome", {"taken", "refused", "dropped"}),
    ):
        assert {(s.labels[label], s.value) for s in found[name].samples} == {
            (v, 0.0) for v in values}, name


def test_a_registered_line_starts_at_zero(families: dict[str, Any]) -> None:
    found = {s.labels["result"]: s.value for s in families["grading_fruit"].samples
             if s.labels["line"] == "line-1"}
    assert found.keys() == {"undecided", "packed", "culled"}
    assert sum(found.values()) == 2  # one by its line, one by the lot that names the line


def test_each_standard_in_use_is_told_once(families: dict[str, Any]) -> None:
    (sample,) = families["grading_standard_info"].samples
    assert sample.value == 1
    assert sample.labels["standard"] == "house-long-distance"
    assert re.fullmatch("[0-9a-f]{12}", sample.labels["digest"])


def test_the_documentation_lists_every_metric(families: dict[str, Any]) -> None:
    rows = re.findall(r"^\| `(\w+)` \| (\w+) \| ([^|]*) \|", (
        ROOT / "docs" / "metrics.md").read_text(encoding="utf-8"), re.M)
    told = {name: (kind, tuple(sorted(re.findall(r"`(\w+)`", labels))))
            for name, kind, labels in rows}
    ours = {name + ("_total" if f.type == "counter" else ""): (f.type, tuple(sorted(
        {key for s in f.samples for key in s.labels} - {"le"})))
        for name, f in families.items() if name.startswith("grading_")}
    assert told == {**ours, "grading_source_silent": ("gauge", ("source",))}
