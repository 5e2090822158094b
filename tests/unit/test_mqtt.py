"""What needs no broker: topics, settings, pauses, which sources are silent."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner
from prometheus_client import generate_latest

from service.cli.main import main
from service.clock import Clock
from service.metrics import Metrics
from service.mqtt_link import Backoff
from service.mqtt_road import Address, address_of
from service.presence import NAMES_KEPT, Presence
from service.problems import Problem
from service.settings import SettingsError, load_settings


@pytest.mark.parametrize(("topic", "prefix", "source", "run"), [
    ("drupe/fruit/cam-1/r1", "drupe", "cam-1", "r1"),
    ("drupe/fruit/cam 1/2026-07-14 a", "drupe", "cam 1", "2026-07-14 a"),
    ("bench/hall 2/fruit/cam-1/r1", "bench/hall 2", "cam-1", "r1"),
    ("drupe/source/cam-1", "drupe", "cam-1", None),
])
def test_topics_name_source_and_run(
    topic: str, prefix: str, source: str, run: str | None
) -> None:
    assert address_of(topic=topic, prefix=prefix) == Address(source, run)


@pytest.mark.parametrize("topic", [
    "", "drupe", "drupe/fruit", "drupe/fruit/cam-1", "drupe/fruit/cam-1/", "drupe/fruit//r1",
    "drupe/fruit/cam-1/r1/", "drupe/fruit/cam-1/r1/x", "drupe/source", "drupe/source/cam-1/r1",
    "drupe/service/cam-1", "drupe/Fruit/cam-1/r1", "fruit/cam-1/r1", "/drupe/fruit/cam-1/r1",
    "drupes/fruit/cam-1/r1", "drupe/fruit/.cam/r1", "drupe/fruit/cam-1/r1\n",
    f"drupe/fruit/{'c' * 65}/r1", "drupe/fruit/kamera-ä/r1",
])
def test_other_topics_are_refused(topic: str) -> None:
    with pytest.raises(Problem, match="neither drupe/fruit/SOURCE/RUN nor") as refused:
        address_of(topic=topic, prefix="drupe")
    assert refused.value.code == "topic"


def configured(tmp_path: Path, text: str, **given: Any) -> Any:
    config = tmp_path / "drupe.toml"
    config.write_text(text)
    return load_settings(config=config, **given).mqtt


def test_settings_come_from_the_table_and_the_command_line(tmp_path: Path) -> None:
    (tmp_path / "secret").write_text("peach stone\nsecond line\n")
    text = (f'[mqtt]\nhost = "broker"\nusername = "drupe"\n'
            f'password_file = "{tmp_path}/secret"\ntopics = ["#"]\n')
    found = configured(tmp_path, text, mqtt={"host": None, "port": 1884, "topics": ("cam-1/+",)})
    assert (found.host, found.port, found.topics) == ("broker", 1884, ("cam-1/+",))
    assert found.password() == "peach stone"
    assert found.receive_maximum == 256
    plain = load_settings(mqtt={"host": "broker", "port": None}).mqtt
    assert plain is not None
    assert plain.password() is None
    assert load_settings(mqtt={"host": None, "port": None}).mqtt is None


@pytest.mark.parametrize(("text", "said"), [
    ("port = 1883", "mqtt.host"),
    ('host = ""', "mqtt.host"),
    ('host = "b"\nport = 0', "mqtt.port = 0"),
    ('host = "b"\nqos = 2', "mqtt.qos = 2 is not known; known are: host, port, client_id"),
    ('host = "b"\nclient_id = "a b"', "mqtt.client_id"),
    ('host = "b"\nprefix = "drupe/+"', "mqtt.prefix"),
    ('host = "b"\nprefix = "$share/a"', "mqtt.prefix"),
    ('host = "b"\nprefix = ""', "mqtt.prefix"),
    ('host = "b"\ntopics = []', "mqtt.topics"),
    ('host = "b"\ntopics = ["cam+/r1"]', "'cam+/r1' is not a topic filter"),
    ('host = "b"\ntopics = ["#/r1"]', "'#/r1' is not a topic filter"),
    ('host = "b"\ntopics = [""]', "'' is not a topic filter"),
    ('host = "b"\nca_file = "/dev/null"', "mqtt.ca_file"),
    ('host = "b"\nca_file = "{here}/empty"', "set tls = true with it"),
    ('host = "b"\ntls = true\nca_file = "{here}/empty"', "ca_file cannot be used"),
    ('host = "b"\npassword_file = "{here}/none"', "mqtt.password_file"),
    ('host = "b"\npassword_file = "{here}/empty"', "is of no use without username"),
    ('host = "b"\nusername = "u"\npassword_file = "{here}/bytes"', "cannot be used"),
    ('host = "b"\nreceive_maximum = 0', "mqtt.receive_maximum = 0"),
    ('host = "b"\nbackoff_s = 0.01', "mqtt.backoff_s = 0.01"),
    ('host = "b"\nsession_expiry_s = 1', "mqtt.session_expiry_s = 1"),
])
def test_settings_that_cannot_be_honoured_are_one_line(
    tmp_path: Path, text: str, said: str
) -> None:
    (tmp_path / "empty").write_text("")
    (tmp_path / "bytes").write_bytes(b"\xff\xfe")
    with pytest.raises(SettingsError, match=re.escape(said)) as refused:
        configured(tmp_path, "[mqtt]\n" + text.replace("{here}", str(tmp_path)))
    assert "\n" not in str(refused.value)


def test_a_table_that_is_none_is_refused(tmp_path: Path) -> None:
    with pytest.raises(SettingsError, match="setting mqtt = 3"):
        configured(tmp_path, "mqtt = 3\n", mqtt={"port": 1884})


def test_the_command_says_what_it_lacks() -> None:
    found = CliRunner().invoke(main, ["serve", "--mqtt-port", "1884"])
    assert found.exit_code == 2
    assert "setting mqtt.host" in found.output


def test_only_the_byte_order_mark_is_forgiven_in_text() -> None:
    from paho.mqtt.exception import MalformedPacket
    from paho.mqtt.properties import readUTF  # as service.mqtt_link mended it

    for text in ("key", "\ufeffkey", ""):
        raw = text.encode()
        framed = len(raw).to_bytes(2, "big") + raw
        assert readUTF(framed + b"more", len(framed) + 4) == (text, len(framed))
    for framed, room in ((b"\0\3a\0b", 5), (b"\0\x09\xef\xbb\xbf", 5), (b"\0", 1)):
        with pytest.raises(MalformedPacket):
            readUTF(framed, room)


@pytest.mark.parametrize("chance", [0.0, 0.25, 0.999])
def test_pauses_double_to_their_cap_and_vary(chance: float) -> None:
    pauses = Backoff(cap_s=5.0, first_s=0.1, chance=lambda: chance)
    found = [pauses.next_s() for _ in range(2000)]
    whole = [0.1, 0.2, 0.4, 0.8, 1.6, 3.2, *[5.0] * 1994]
    assert found == pytest.approx([w * (1 - chance / 2) for w in whole])
    pauses.reset()
    assert pauses.next_s() == found[0]


def test_by_chance_no_pause_is_above_the_cap_or_under_its_half() -> None:
    pauses = Backoff(cap_s=5.0)
    found = [pauses.next_s() for _ in range(500)][6:]
    assert all(2.5 <= pause <= 5.0 for pause in found)
    assert len(set(found)) > 400


def test_the_last_word_of_a_source_holds() -> None:
    metrics, now_ms = Metrics(), iter((100, 100, 90, 300, 400))
    presence = Presence(metrics=metrics, clock=Clock(lambda: next(now_ms), lambda: 7))
    presence.tell(source="cam-2", silent=True)
    presence.tell(source="cam-1", silent=False)
    presence.tell(source="cam-2", silent=True)
    assert presence.silent() == {"cam-2": (100, 7)}  # since it was first heard
    presence.tell(source="cam-1", silent=True)
    assert list(presence.silent()) == ["cam-1", "cam-2"]
    presence.tell(source="cam-2", silent=False)
    presence.forget(source="cam-9")
    presence.forget(source="cam-1")
    assert presence.silent() == {}
    shown = generate_latest(metrics.registry).decode()
    assert 'grading_source_silent{source="cam-2"} 0.0' in shown
    assert "cam-1" not in shown


def test_no_more_names_are_kept_than_a_house_has() -> None:
    presence = Presence(metrics=Metrics(), clock=Clock())
    for k in range(NAMES_KEPT):
        assert presence.tell(source=f"s{k}", silent=True)
    assert not presence.tell(source="one-more", silent=True)
    assert presence.tell(source="s0", silent=False)
    presence.forget(source="s1")
    assert presence.tell(source="one-more", silent=True)
