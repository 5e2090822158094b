"""Every metric of the service, on a registry of its own app. Labels stay few: never a lot, fruit,
grower or person."""

from __future__ import annotations

from importlib.metadata import version

from prometheus_client import (
    CollectorRegistry,
    Counter,
    Gauge,
    Histogram,
    ProcessCollector,
    disable_created_metrics,
)

from service.alarms.definitions import PRIORITIES

disable_created_metrics()  # type: ignore[no-untyped-call]  # twice as many series for nothing

SECONDS = (0.0005, 0.001, 0.0025, 0.005, 0.01, 0.025, 0.05, 0.1, 0.25, 1.0, 5.0)


class Metrics:
    """One instance for one app, so that two apps in one process never share counts."""

    def __init__(self) -> None:
        self.registry = CollectorRegistry()
        ProcessCollector(registry=self.registry)
        Gauge("grading_build_info", "1; which version of the service this is", ["version"],
              registry=self.registry).labels(version("drupe")).set(1)
        self.records = Counter(
            "grading_records", "Fruit records received, by what became of them",
            ["outcome"], registry=self.registry)
        for outcome in ("stored", "duplicate", "conflict", "refused", "lot_closed"):
            self.records.labels(outcome)
        self.bodies_refused = Counter(
            "grading_bodies_refused", "Request bodies that could not be read at all",
            registry=self.registry)
        self.sources_refused = Counter(
            "grading_sources_refused", "Senders turned away, by why", ["why"],
            registry=self.registry)
        for why in ("unknown_source", "key_missing", "key_wrong"):
            self.sources_refused.labels(why)
        self.clock_records = Counter(
            "grading_clock_records", "Fruit whose own time is ahead of the service's (over 5 s), "
            "doubtful (over 5 min ahead) or late (over 5 min behind)", ["off"],
            registry=self.registry)
        for off in ("ahead", "doubtful", "late"):
            self.clock_records.labels(off)
        self.seqs_skipped = Counter(
            "grading_seqs_skipped", "Numbers left out where a source skipped many at once",
            registry=self.registry)
        self.ingest_seconds = Histogram(
            "grading_ingest_seconds", "From the whole body read to the answer ready",
            buckets=SECONDS, registry=self.registry)
        self.streams = Gauge("grading_streams", "Open streams", registry=self.registry)
        self.stream_records = Counter(
            "grading_stream_records", "Fruit records received over streams",
            registry=self.registry)
        self.stream_seconds = Histogram(
            "grading_stream_seconds", "From a stream's frame to its answer, one frame in 32",
            buckets=(2e-5, 5e-5, 1e-4, *SECONDS[:8]), registry=self.registry)
        self.fruit = Counter(
            "grading_fruit", "Line fruit stored, by registered line and what they came to",
            ["line", "result"], registry=self.registry)
        self.commits = Counter(
            "grading_commits", "Commits that stored fruit", registry=self.registry)
        self.commits_failed = Counter(
            "grading_commits_failed", "Commits that storage did not take", registry=self.registry)
        self.commit_seconds = Histogram(
            "grading_commit_seconds", "One commit of fruit, its sync to the disk included",
            buckets=SECONDS, registry=self.registry)
        self.commit_records = Histogram(
            "grading_commit_records", "Fruit in one commit",
            buckets=(1, 10, 100, 1000, 5000, 20000), registry=self.registry)
        self.queue_records = Gauge(
            "grading_writer_queue_records", "Fruit waiting for the disk", registry=self.registry)
        self.heartbeat_seconds = Histogram(
            "grading_heartbeat_seconds", "A test record from its body through parsing and grading "
            "to the end of the writer's queue", buckets=SECONDS, registry=self.registry)
        self.heartbeat_last = Gauge(
            "grading_heartbeat_timestamp_seconds", "When the last test record came through (Unix "
            "time)", registry=self.registry)
        self.heartbeats_failed = Counter(
            "grading_heartbeats_failed", "Test records that did not come through",
            registry=self.registry)
        self.standard_info = Gauge(
            "grading_standard_info", "1 for every standard that a line packs under now; digest: "
            "its first 12 digits", ["standard", "edition", "digest"], registry=self.registry)
        self.board_clients = Gauge(
            "grading_board_clients", "Screens that are sent live pictures", registry=self.registry)
        self.board_dropped = Counter(
            "grading_board_dropped", "Screens cut off because they took nothing",
            registry=self.registry)
        self.board_refused = Counter(
            "grading_board_refused", "Screens turned away because too many were open",
            registry=self.registry)
        self.board_pictures = Counter(
            "grading_board_pictures", "Live pictures made, however many screens took them",
            registry=self.registry)
        self.board_pictures_failed = Counter(
            "grading_board_pictures_failed", "Live pictures that could not be made",
            registry=self.registry)
        self.pulls = Counter(
            "grading_pulls", "Hand-pulled samples stored", registry=self.registry)
        self.quarantined = Counter(
            "grading_quarantined", "Refused records kept for a person", registry=self.registry)
        self.quarantine_dropped = Counter(
            "grading_quarantine_dropped", "Refused records counted but, over the day's limit, not "
            "kept", registry=self.registry)
        self.mqtt_connected = Gauge(
            "grading_mqtt_connected", "Whether the broker is connected", registry=self.registry)
        self.mqtt_connections = Counter(
            "grading_mqtt_connections", "Connections made to the broker", registry=self.registry)
        self.mqtt_messages = Counter(
            "grading_mqtt_messages", "Messages from the broker: taken, refused (in quarantine), "
            "dropped (QoS 0 only, while storage did not keep up)", ["outcome"],
            registry=self.registry)
        for outcome in ("taken", "refused", "dropped"):
            self.mqtt_messages.labels(outcome)
        self.mqtt_unacknowledged = Gauge(
            "grading_mqtt_unacknowledged", "Messages from the broker on their way to the disk",
            registry=self.registry)
        self.source_silent = Gauge(
            "grading_source_silent", "Whether a source said, or its last will, that it is gone",
            ["source"], registry=self.registry)
        self.source_last_record = Gauge(
            "grading_source_last_record_timestamp_seconds", "When a registered source's last fruit "
            "was received (Unix time)", ["source"], registry=self.registry)
        self.source_clock_skew = Gauge(
            "grading_source_clock_skew_seconds", "How far the clock of a registered source was "
            "ahead at its last fruit", ["source"], registry=self.registry)
        self.alarms_active = Gauge(
            "grading_alarms_active", "Alarms whose condition holds and that are not put aside",
            ["priority"], registry=self.registry)
        self.alarms_unacknowledged = Gauge(
            "grading_alarms_unacknowledged", "Alarms that nobody has acknowledged, whether their "
            "condition still holds or not", ["priority"], registry=self.registry)
        self.alarms_aside = Gauge(
            "grading_alarms_aside", "Alarms that are shelved or out of service",
            ["priority"], registry=self.registry)
        self.alarms_announced = Counter(
            "grading_alarms_announced", "Times that an alarm called a person",
            ["priority"], registry=self.registry)
        for priority in PRIORITIES:
            for gauge in (self.alarms_active, self.alarms_unacknowledged, self.alarms_aside):
                gauge.labels(priority)
            self.alarms_announced.labels(priority)
        self.alarm_providers_failed = Counter(
            "grading_alarm_providers_failed", "Times that the conditions of alarms could not be "
            "read", registry=self.registry)
        self.alarm_changes_waiting = Gauge(
            "grading_alarm_changes_waiting", "Changes of alarms that storage has not taken yet",
            registry=self.registry)
        self.storage_free_bytes = Gauge(
            "grading_storage_free_bytes", "Bytes of the data disk that the service may still use",
            registry=self.registry)
        self.storage_size_bytes = Gauge(
            "grading_storage_size_bytes", "Bytes of the data disk, used or usable",
            registry=self.registry)
        self.storage_sync_seconds = Gauge(
            "grading_storage_sync_seconds", "Median sync time of the disk, measured at start",
            registry=self.registry)
