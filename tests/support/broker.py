"""A real Mosquitto on a port and folder of its own, and a line that publishes to it."""

from __future__ import annotations

import json
import os
import shutil
import socket
import subprocess
import threading
import time
import uuid
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

import pytest
from paho.mqtt.client import Client, MQTTMessage
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.subscribeoptions import SubscribeOptions

from tests.support.process import free_port

MOSQUITTO = shutil.which("mosquitto", path=os.environ.get("PATH", "") + ":/usr/sbin")
needs_broker = pytest.mark.skipif(
    MOSQUITTO is None, reason="no `mosquitto` here (on Debian: apt-get install mosquitto)")

WAIT_S = 120.0


def until(condition: Callable[[], Any], what: str) -> Any:
    """Polls for a condition; what it was, once it holds."""
    deadline = time.monotonic() + WAIT_S
    while time.monotonic() < deadline:
        found = condition()
        if found:
            return found
        time.sleep(0.01)  # polls, decides nothing
    raise AssertionError(f"not within {WAIT_S:.0f} s: {what}")


class Broker:
    """Mosquitto that keeps its sessions on disk. more: further lines of its configuration."""

    def __init__(self, folder: Path, *, more: str = "allow_anonymous true") -> None:
        folder.mkdir(parents=True, exist_ok=True)
        self.port = free_port()
        self._config = folder / "mosquitto.conf"
        # As root it would become another user, whom the test's folder is closed to.
        self._config.write_text("\n".join([
            f"listener {self.port} 127.0.0.1", "persistence true",
            f"persistence_location {folder}/", "autosave_on_changes true", "autosave_interval 1",
            "max_queued_messages 0", *(["user root"] if os.geteuid() == 0 else []), more, ""]))
        self._log = folder / "mosquitto.log"
        self._process: subprocess.Popen[bytes] | None = None

    def start(self) -> None:
        assert MOSQUITTO is not None
        with self._log.open("ab") as log:
            self._process = subprocess.Popen(
                [MOSQUITTO, "-c", str(self._config)], stdout=log, stderr=log)
        until(self._answers, "the broker listens")

    def _answers(self) -> bool:
        assert self._process is not None
        assert self._process.poll() is None, self._log.read_text()
        try:
            socket.create_connection(("127.0.0.1", self.port), timeout=5).close()
        except OSError:
            return False
        return True

    def kill(self) -> None:
        """SIGKILL, as a power switch would."""
        if self._process is not None:
            self._process.kill()
            self._process.wait(timeout=WAIT_S)
            self._process = None

    def stop(self) -> None:
        """SIGTERM: sessions and messages are saved."""
        if self._process is not None:
            self._process.terminate()
            self._process.wait(timeout=WAIT_S)
            self._process = None


def client(client_id: str = "") -> Client:
    return Client(CallbackAPIVersion.VERSION2, client_id=client_id or uuid.uuid4().hex,
                  protocol=MQTTProtocolVersion.MQTTv5)


def lasting() -> Properties:
    """Of a connection whose session outlives it."""
    wanted = Properties(PacketTypes.CONNECT)
    wanted.SessionExpiryInterval = 3600
    return wanted


class Line:
    """Publishes, asks for outcomes, hears what else is said below `drupe/service` and `answers`.

    source: sets its last will for this source and says that it is here.
    """

    def __init__(self, broker: Broker, *, source: str | None = None) -> None:
        self.name = uuid.uuid4().hex
        self.answers: dict[str, Any] = {}
        self.heard: dict[str, list[Any]] = {}
        self._client = client(self.name)
        self._subscribed = threading.Event()
        self._source = source
        if source is not None:
            self._client.will_set(f"drupe/source/{source}", b'{"state":"gone"}', qos=1, retain=True)
        self._client.on_connect = self._on_connect
        self._client.on_subscribe = lambda *_: self._subscribed.set()
        self._client.on_message = self._on_message
        self._client.reconnect_delay_set(0, 0)  # a broker of a test is back at once
        self._client.connect("127.0.0.1", broker.port)
        self._client.loop_start()
        assert self._subscribed.wait(WAIT_S)

    def _on_connect(self, found: Client, *_: Any) -> None:
        options = SubscribeOptions(qos=1)
        found.subscribe([(f"answers/{self.name}", options), ("drupe/service/+", options)])
        if self._source is not None:
            found.publish(f"drupe/source/{self._source}", b'{"state":"here"}', qos=1, retain=True)

    def _on_message(self, _: Client, __: Any, message: MQTTMessage) -> None:
        told = json.loads(message.payload)
        mark = getattr(message.properties, "CorrelationData", None)
        if mark is None:
            self.heard.setdefault(message.topic, []).append(told)
        else:
            self.answers[mark.decode()] = told

    def publish(
        self, topic: str, payload: Any, *, mark: str | None = None, qos: int = 1,
        retain: bool = False, media: str | None = None, own: Mapping[str, str] | None = None,
        answer_to: str | None = None,
    ) -> None:
        """payload: bytes as they are, anything else as JSON. mark: asks for an answer under it."""
        said = Properties(PacketTypes.PUBLISH)
        if mark is not None or answer_to is not None:
            said.ResponseTopic = answer_to or f"answers/{self.name}"
        if mark is not None:
            said.CorrelationData = mark.encode()
        if media is not None:
            said.ContentType = media
        if own:
            said.UserProperty = list(own.items())
        raw = payload if isinstance(payload, bytes) else json.dumps(payload).encode()
        self._client.publish(topic, raw, qos=qos, retain=retain, properties=said)

    def ask(self, topic: str, payload: Any, **how: Any) -> Any:
        """Publishes and waits for the outcome."""
        mark = uuid.uuid4().hex
        self.publish(topic, payload, mark=mark, **how)
        return until(lambda: self.answers.get(mark), f"an answer to what was said on {topic}")

    def vanish(self) -> None:
        """Lets the connection break off, so that the broker publishes the last will."""
        sock = self._client.socket()
        assert sock is not None
        self._client.loop_stop()
        sock.close()

    def close(self) -> None:
        self._client.disconnect()
        self._client.loop_stop()
