"""The connection to the broker: a session that outlives it, and how it is found again.

Everything runs on the event loop, through the MQTT library's hooks for one; only the attempt to
connect, which may block, has a thread of its own. So no callback here ever waits for anything.
"""

from __future__ import annotations

import asyncio
import logging
import random
import ssl
import time
from collections.abc import Callable, Sequence
from contextlib import suppress
from typing import Any, Final

import paho.mqtt.properties as library
from paho.mqtt.client import Client, ConnectFlags, DisconnectFlags, MQTTMessage
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion
from paho.mqtt.exception import MalformedPacket
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode
from paho.mqtt.subscribeoptions import SubscribeOptions

from service.clock import Clock
from service.metrics import Metrics
from service.rows import utc
from service.settings import MqttSettings

HERE: Final = b'{"state":"here"}'
GONE: Final = b'{"state":"gone"}'

KEEPALIVE_S: Final = 15
STEADY_S: Final = 10.0
"""A connection that held so long was a good one; the first attempt after it comes soon."""
GOODBYE_S: Final = 2.0
_WITH_WILL: Final = 4  # MQTT 5.0, 3.14.2.1: disconnect with will message

_LOG: Final = logging.getLogger(__name__)


_read_utf: Callable[[bytes, int], tuple[str, int]] = library.readUTF


def _read_any_utf(buffer: bytes, maxlen: int) -> tuple[str, int]:
    """U+FEFF is a character like any other (MQTT 5.0, 1.5.4). The library takes it for a fault and
    hangs up, so one message with it would come again for ever and hold up all others."""
    try:
        return _read_utf(buffer, maxlen)
    except MalformedPacket:
        length = 2 + int.from_bytes(buffer[:2], "big")
        if b"\xef\xbb\xbf" not in buffer[2:length] or length > maxlen:
            raise
        return bytes(buffer[2:length]).decode(), length


library.readUTF = _read_any_utf


class Backoff:
    """Pauses that double from `first_s` to `cap_s`, each shortened by chance by up to a half, so
    that many clients of one broker do not come back at the same moment."""

    def __init__(
        self, *, cap_s: float, first_s: float = 0.1, chance: Callable[[], float] = random.random
    ) -> None:
        self._first_s, self._cap_s, self._chance = first_s, cap_s, chance
        self._tries = 0

    def next_s(self) -> float:
        whole = min(self._cap_s, self._first_s * 2.0 ** min(self._tries, 30))
        self._tries += 1
        return whole * (1 - self._chance() / 2)

    def reset(self) -> None:
        self._tries = 0


class Link:
    """Keeps connected until closed. Made and used on a running event loop.

    on_up: called after each connect with whether the broker still has the session. number: goes
    up whenever the connection comes or goes; an acknowledgement belongs to the one it came over.
    """

    def __init__(
        self, *, settings: MqttSettings, metrics: Metrics, clock: Clock,
        on_message: Callable[[MQTTMessage], None], on_up: Callable[[bool], None],
    ) -> None:
        self.number = 0
        self._settings = settings
        self._metrics = metrics
        self._clock = clock
        self._on_up = on_up
        self._loop = asyncio.get_running_loop()
        self._lost = asyncio.Event()
        self._closing = False
        self._connected = False
        self._since_ms: int | None = None
        self._connected_at = 0.0
        self._last_error: str | None = None
        self._will_topic = f"{settings.prefix}/service/{settings.client_id}"
        self._client = self._new_client()
        self._client.on_message = lambda client, userdata, message: on_message(message)
        self._keeper = asyncio.create_task(self._stay_connected())

    def status(self) -> dict[str, Any]:
        """since: from when it is, or is not, connected."""
        return {
            "broker": f"{self._settings.host}:{self._settings.port}",
            "client_id": self._settings.client_id,
            "connected": self._connected,
            "since": utc(self._since_ms),
            "last_error": self._last_error,
        }

    def trouble(self, what: str) -> None:
        """Remember what went wrong last, and log it unless it is only said again."""
        if what != self._last_error:
            _LOG.warning("broker %s port %d: %s", self._settings.host, self._settings.port, what)
        self._last_error = what

    def acknowledge(self, *, mid: int, qos: int) -> None:
        """Tell the broker that it may forget a message of this connection."""
        self._client.ack(mid, qos)

    def publish(self, *, topic: str, payload: bytes, correlation: bytes | None) -> None:
        """Send an answer, with QoS 0: who misses it sends again and gets it again."""
        told = Properties(PacketTypes.PUBLISH)
        told.ContentType = "application/json"
        if correlation is not None:
            told.CorrelationData = correlation
        try:
            self._client.publish(topic, payload, properties=told)
        except ValueError as error:
            self.trouble(f"an answer to {topic[:80]!r} cannot be sent: {error}")

    async def close(self) -> None:
        """Take leave; the session stays with the broker."""
        self._closing = True
        if self._connected:
            # So the broker publishes the will: whoever watches sees the service gone.
            self._client.disconnect(ReasonCode(PacketTypes.DISCONNECT, identifier=_WITH_WILL))
            with suppress(TimeoutError):
                await asyncio.wait_for(self._lost.wait(), GOODBYE_S)
        self._keeper.cancel()
        with suppress(asyncio.CancelledError):
            await self._keeper

    def _new_client(self) -> Client:
        given = self._settings
        client = Client(
            CallbackAPIVersion.VERSION2, client_id=given.client_id, reconnect_on_failure=False,
            protocol=MQTTProtocolVersion.MQTTv5, manual_ack=True)
        if given.username is not None:
            client.username_pw_set(given.username, given.password())
        if given.tls:
            client.tls_set(ca_certs=None if given.ca_file is None else str(given.ca_file))
        client.will_set(self._will_topic, GONE, qos=1, retain=True)
        client.on_connect = self._on_connect
        client.on_disconnect = self._on_disconnect
        client.on_subscribe = self._on_subscribe
        client.on_socket_open = self._on_socket_open
        client.on_socket_close = self._on_socket_close
        client.on_socket_register_write = self._on_write_wanted
        client.on_socket_unregister_write = self._on_write_done
        return client

    async def _stay_connected(self) -> None:
        wanted = Properties(PacketTypes.CONNECT)
        wanted.ReceiveMaximum = self._settings.receive_maximum
        wanted.SessionExpiryInterval = self._settings.session_expiry_s
        backoff = Backoff(cap_s=self._settings.backoff_s)
        while True:
            self._lost.clear()
            self._connected_at = 0.0
            try:
                await asyncio.to_thread(
                    self._client.connect, self._settings.host, self._settings.port,
                    keepalive=KEEPALIVE_S, clean_start=False, properties=wanted)
                while not self._lost.is_set():
                    with suppress(TimeoutError):
                        await asyncio.wait_for(self._lost.wait(), 1.0)
                    self._client.loop_misc()
            except (OSError, ValueError) as error:
                self.trouble(f"cannot connect: {error}")
            if self._connected_at and time.monotonic() - self._connected_at > STEADY_S:
                backoff.reset()
            await asyncio.sleep(backoff.next_s())

    def _changed(self, *, connected: bool) -> None:
        self.number += 1
        self._connected = connected
        self._since_ms = self._clock.now_ms()
        self._metrics.mqtt_connected.set(connected)

    def _on_connect(
        self, client: Client, userdata: Any, flags: ConnectFlags, reason: ReasonCode,
        properties: Properties | None,
    ) -> None:
        if reason.is_failure:
            self.trouble(f"refused: {reason}")
            return
        self._changed(connected=True)
        self._connected_at = time.monotonic()
        self._metrics.mqtt_connections.inc()
        self._on_up(flags.session_present)
        prefix = self._settings.prefix
        fruit = SubscribeOptions(
            qos=1, noLocal=True, retainHandling=SubscribeOptions.RETAIN_SEND_IF_NEW_SUB)
        # States are kept in memory only, so the retained ones are asked for every time.
        states = SubscribeOptions(qos=1, noLocal=True)
        client.subscribe([(f"{prefix}/source/+", states), *(
            (f"{prefix}/fruit/{topic}", fruit) for topic in self._settings.topics)])
        client.publish(self._will_topic, HERE, retain=True)

    def _on_subscribe(
        self, client: Client, userdata: Any, mid: int, reasons: Sequence[ReasonCode],
        properties: Properties | None,
    ) -> None:
        for reason in reasons:
            if reason.is_failure:
                self.trouble(f"subscription refused: {reason}")

    def _on_disconnect(
        self, client: Client, userdata: Any, flags: DisconnectFlags, reason: ReasonCode,
        properties: Properties | None,
    ) -> None:
        if self._connected:
            self._changed(connected=False)
            if not self._closing:
                self.trouble(f"connection lost: {reason}")
        self._lost.set()

    # Sockets. `connect` opens one on its own thread; all else happens on the event loop.

    def _on_socket_open(self, client: Client, userdata: Any, sock: Any) -> None:
        self._loop.call_soon_threadsafe(self._loop.add_reader, sock, self._read, sock)

    def _on_socket_close(self, client: Client, userdata: Any, sock: Any) -> None:
        self._loop.remove_reader(sock)
        self._loop.remove_writer(sock)

    def _on_write_wanted(self, client: Client, userdata: Any, sock: Any) -> None:
        self._loop.call_soon_threadsafe(self._await_writable, sock)

    def _await_writable(self, opened: Any) -> None:
        sock = self._client.socket()
        if sock is not None and sock is opened:  # not closed meanwhile
            self._loop.add_writer(sock, self._client.loop_write)

    def _on_write_done(self, client: Client, userdata: Any, sock: Any) -> None:
        self._loop.remove_writer(sock)

    def _read(self, sock: Any) -> None:
        try:
            self._client.loop_read()
            # What TLS has decrypted already, the socket does not announce any more.
            while sock is self._client.socket() and isinstance(sock, ssl.SSLSocket):
                if not sock.pending():
                    break
                self._client.loop_read()
        except Exception as error:
            self.trouble(f"cannot read what the broker sends: {error!r}")
            self._client.disconnect()
