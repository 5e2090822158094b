"""The shipped rules, judged by Prometheus's own tool on series whose alerts follow by hand.

A series "0x2 1x5" is 0 at minutes 0 to 2 and 1 at minutes 3 to 8; rules are judged every minute.
"""

from __future__ import annotations

import json
import re
import shutil
import subprocess
from pathlib import Path
from typing import Any

import pytest
import yaml

HERE = Path(__file__).resolve().parents[2] / "docker" / "prometheus"
RULES = [HERE / "recording.yml", HERE / "alerts.yml"]
PROMTOOL = shutil.which("promtool")

pytestmark = pytest.mark.skipif(
    PROMTOOL is None, reason="promtool is not installed (Debian package prometheus)")

DRUPE = 'job="drupe",instance="drupe:8000"'

# alert: series, then (minute, what {{ $value | ... }} says, or None where it does not fire), and
# the labels that it has besides job and instance.
CASES: dict[str, tuple[dict[str, str], list[tuple[int, str | None]], dict[str, str]]] = {
    # Away at minute 3; for 1 min.
    "DrupeDown": ({f"up{{{DRUPE}}}": "1x2 0x5"}, [(2, None), (3, None), (4, "")], {}),
    # The time stamp follows the clock to minute 5 and stands there: 60 s behind at minute 6, which
    # is not over 60; 120 s at minute 7; for 30 s, so at minute 8, 180 s behind. A clock set back by
    # more than an hour while nothing comes through leaves a time stamp that is ahead.
    "DrupeHeartbeatLate": (
        {f"grading_heartbeat_timestamp_seconds{{{DRUPE}}}": "0+60x5 300x2 4200x5"},
        [(6, None), (7, None), (8, "3m 0s"), (10, "1h 0m 0s")], {}),
    # One failure between minutes 10 and 11; five minutes later it is out of the window.
    "DrupeStorageRefuses": (
        {f"grading_commits_failed_total{{{DRUPE}}}": "0x10 1x10"},
        [(10, None), (11, ""), (17, None)], {}),
    # 90 % used to minute 5, then 95 %; for 1 min.
    "DrupeDiskNearlyFull": (
        {f"grading_storage_size_bytes{{{DRUPE}}}": "100x15",
         f"grading_storage_free_bytes{{{DRUPE}}}": "10x5 5x9"},
        [(5, None), (6, None), (7, "95%")], {"-": "instance"}),
    # 0.25 bytes a minute are 1,080 in three days: more than the 900. Seen from minute 1; for 1 h.
    # The other machine loses 0.1 a minute, 432 in three days.
    "DrupeDiskFillsSoon": (
        {f"grading_storage_size_bytes{{{DRUPE}}}": "2000x120",
         f"grading_storage_free_bytes{{{DRUPE}}}": "900-0.25x120",
         'grading_storage_size_bytes{job="other",instance="b"}': "2000x120",
         'grading_storage_free_bytes{job="other",instance="b"}': "900-0.1x120"},
        [(60, None), (90, "")], {}),
    # Over 100,000 from minute 3; for 1 min.
    "DrupeQueueFills": (
        {f"grading_writer_queue_records{{{DRUPE}}}": "100000x2 150000x5"},
        [(2, None), (3, None), (4, "150k")], {}),
    # Of 100 bodies a minute 90 take under 0.25 s and 10 under 1 s: the 99th is 9/10 of the way
    # from 0.25 to 1, 0.925 s. Seen from minute 1; for 10 min.
    "DrupeIngestSlow": (
        {f'grading_ingest_seconds_bucket{{{DRUPE},le="0.25"}}': "0+90x20",
         f'grading_ingest_seconds_bucket{{{DRUPE},le="1.0"}}': "0+100x20",
         f'grading_ingest_seconds_bucket{{{DRUPE},le="+Inf"}}': "0+100x20"},
        [(10, None), (11, "925ms")], {"-": "instance"}),
    # 3 of 100 refused; 20 of them have come by minute 7 (21); for 5 min.
    "DrupeRecordsRefused": (
        {f'grading_records_total{{{DRUPE},outcome="refused"}}': "0+3x20",
         f'grading_records_total{{{DRUPE},outcome="stored"}}': "0+97x20"},
        [(11, None), (12, "3%")], {"-": "instance"}),
    # Lost at minute 3; for 2 min. The other service was never told of a broker.
    "DrupeBrokerLost": (
        {f"grading_mqtt_connected{{{DRUPE}}}": "1x2 0x5",
         f"grading_mqtt_connections_total{{{DRUPE}}}": "1x8",
         'grading_mqtt_connected{job="drupe",instance="b"}': "0x8",
         'grading_mqtt_connections_total{job="drupe",instance="b"}': "0x8"},
        [(2, None), (4, None), (5, "")], {}),
    # There since minute 2; for 10 min. Cautions may wait longer.
    "DrupeAlarmUnattended": (
        {f'grading_alarms_unacknowledged{{{DRUPE},priority="urgent"}}': "0x1 1x15",
         f'grading_alarms_unacknowledged{{{DRUPE},priority="caution"}}': "5x20"},
        [(11, None), (12, "")], {"priority": "urgent"}),
    # 11 at once at minute 2, gone from the window of 10 min after minute 12; at the other house 10.
    "DrupeAlarmFlood": (
        {f'grading_alarms_announced_total{{{DRUPE},priority="caution"}}': "0x1 11x18",
         'grading_alarms_announced_total{job="other",instance="b",priority="caution"}':
             "0x1 10x18"},
        [(1, None), (2, "11"), (14, None)], {"-": "instance"}),
    # Fails every minute from minute 1; for 5 min.
    "DrupeAlarmsBlind": (
        {f"grading_alarm_providers_failed_total{{{DRUPE}}}": "0+1x20"},
        [(5, None), (6, "")], {}),
    # Two starts are two changes, which somebody may have made; the third is at minute 6.
    "DrupeRestarts": (
        {f"process_start_time_seconds{{{DRUPE}}}": "0 0 100 100 200 200 300 300"},
        [(5, None), (6, "3")], {}),
}


def _rules(path: Path) -> list[dict[str, Any]]:
    groups: list[dict[str, Any]] = yaml.safe_load(path.read_text(encoding="utf-8"))["groups"]
    return [rule for group in groups for rule in group["rules"]]


def _promtool(*arguments: str) -> str:
    assert PROMTOOL is not None
    done = subprocess.run([PROMTOOL, *arguments], capture_output=True, text=True, check=False,
                          timeout=60)
    assert done.returncode == 0, done.stdout + done.stderr
    return done.stdout


def _expected(alert: dict[str, Any], value: str, more: dict[str, str]) -> dict[str, Any]:
    texts = {name: re.sub(r"\{\{ \$value[^}]*\}\}", value, text).replace(
        "{{ $labels.instance }}", "drupe:8000") for name, text in alert["annotations"].items()}
    labels = {**alert["labels"], "job": "drupe", "instance": "drupe:8000", **more}
    labels.pop(labels.pop("-", ""), None)
    return {"exp_labels": labels, "exp_annotations": texts}


def test_the_files_are_sound() -> None:
    told = _promtool("check", "config", str(HERE / "prometheus.yml"))
    assert told.count("SUCCESS") == 4


def test_every_alert_has_a_case_and_says_what_to_do() -> None:
    alerts = _rules(HERE / "alerts.yml")
    assert {a["alert"] for a in alerts} == set(CASES)
    for alert in alerts:
        assert alert["labels"]["severity"] in ("urgent", "caution", "advisory")
        said = alert["annotations"]["description"]
        places = [said.index(word) for word in ("Cause: ", "Consequence: ", "Response: ")]
        assert places == sorted(places), alert["alert"]
        assert alert["annotations"]["summary"]


@pytest.mark.parametrize("name", CASES)
def test_it_fires_when_its_thresholds_say_so(name: str, tmp_path: Path) -> None:
    (alert,) = [a for a in _rules(HERE / "alerts.yml") if a["alert"] == name]
    series, times, more = CASES[name]
    case = {
        "rule_files": [str(path) for path in RULES], "evaluation_interval": "1m",
        # Alerts look at what is recorded; without an order they see it a minute later or not.
        "group_eval_order": ["drupe-recording", "drupe-alerts"],
        "tests": [{
            "interval": "1m",
            "input_series": [{"series": s, "values": v} for s, v in series.items()],
            "alert_rule_test": [{
                "eval_time": f"{minute}m", "alertname": name,
                "exp_alerts": [] if value is None else [_expected(alert, value, more)],
            } for minute, value in times]}]}
    path = tmp_path / "case.yml"
    path.write_text(json.dumps(case), encoding="utf-8")  # JSON is YAML
    _promtool("test", "rules", str(path))


def test_recorded_rates_and_ratios(tmp_path: Path) -> None:
    """60 fruit a minute are 1 a second; 6 of 60 culled are a tenth; an empty line has no share."""
    path = tmp_path / "case.yml"
    fruit = f"grading_fruit_total{{{DRUPE},line="
    path.write_text(json.dumps({
        "rule_files": [str(RULES[0])], "evaluation_interval": "1m",
        "tests": [{"interval": "1m", "input_series": [
            {"series": fruit + '"line-1",result="culled"}', "values": "0+6x20"},
            {"series": fruit + '"line-1",result="packed"}', "values": "0+54x20"},
            {"series": fruit + '"line-2",result="packed"}', "values": "0x20"},
        ], "promql_expr_test": [
            {"expr": "line:grading_fruit:rate5m", "eval_time": "15m", "exp_samples": [
                {"labels": 'line:grading_fruit:rate5m{line="line-1"}', "value": 1},
                {"labels": 'line:grading_fruit:rate5m{line="line-2"}', "value": 0}]},
            {"expr": "line:grading_culls:ratio_rate10m", "eval_time": "15m", "exp_samples": [
                {"labels": 'line:grading_culls:ratio_rate10m{line="line-1"}', "value": 0.1}]},
        ]}]}), encoding="utf-8")
    _promtool("test", "rules", str(path))
