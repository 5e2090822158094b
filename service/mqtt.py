"""MQTT 5: fruit from the house's broker, acknowledged after the commit.

The service has a session of its own at the broker, which outlives connections and restarts, and
shares nothing with other subscribers. A message is acknowledged when it is on the disk, in the
order in which messages came (MQTT 5.0, 4.6), so what a crash leaves unacknowledged comes again
and is absorbed as a repeat. The broker stops sending at `receive_maximum` unacknowledged
messages; that is the back-pressure. The subscription is of QoS 1: at QoS 2 the library would
give the broker its receipt before anything is stored.

Everything here runs on the event loop, only the attempt to connect on a thread of its own.
"""

from __future__ import annotations

import asyncio
import logging
import random
import ssl
import time
from collections import deque
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager, suppress
from dataclasses import dataclass
from typing import Any, Final

from paho.mqtt.client import Client, ConnectFlags, DisconnectFlags, MQTTMessage
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode
from paho.mqtt.subscribeoptions import SubscribeOptions

from service.context import Context
from service.mqtt_road import GONE, HERE, Message, settle
from service.rows import utc
from service.settings import MqttSettings

KEEPALIVE_S: Final = 15
STEADY_S: Final = 10.0
"""A connection that held so long was a good one; the next attempt after it comes soon."""
STORAGE_PAUSE_S: Final = 2.0
GOODBYE_S: Final = 2.0

_LOG: Final = logging.getLogger(__name__)


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


@dataclass(slots=True)
class _Taken:
    """A message that was taken over from connection number `link`, until it is acknowledged.

    answer: its outcome, once it is on the disk. again: the broker will send it once more.
    """

    message: Message
    mid: int
    qos: int
    link: int
    answer: bytes | None = None
    again: bool = False


class Subscription:
    """One broker's messages on their way into the store. Use `subscribed`."""

    def __init__(self, *, ctx: Context, settings: MqttSettings) -> None:
        self._ctx = ctx
        self._settings = settings
        self._client = self._new_client()
        self._will_topic = f"{settings.prefix}/service/{settings.client_id}"
        self._client.will_set(self._will_topic, GONE, qos=1, retain=True)
        self._loop = asyncio.get_running_loop()
        self._queue: deque[_Taken] = deque()
        self._wave: deque[_Taken] = deque()
        self._arrived = asyncio.Event()
        self._lost = asyncio.Event()
        self._stopping = asyncio.Event()
        self._link = 0
        self._connected = False
        self._since_ms: int | None = None
        self._steady_at = 0.0
        self._last_error: str | None = None
        self._messages = 0
        self._reconnect = Backoff(cap_s=settings.backoff_s)
        self._pause = Backoff(cap_s=STORAGE_PAUSE_S)
        self._tasks = [asyncio.create_task(self._stay_connected()),
                       asyncio.create_task(self._consume())]

    def status(self) -> dict[str, Any]:
        """For people: connected, since when (connected or not), the last error, messages taken
        over since the start, and how many of them are not yet acknowledged."""
        return {
            "broker": f"{self._settings.host}:{self._settings.port}",
            "client_id": self._settings.client_id,
            "connected": self._connected,
            "since": None if self._since_ms is None else utc(self._since_ms),
            "last_error": self._last_error,
            "messages": self._messages,
            "unacknowledged": len(self._queue) + len(self._wave),
        }

    async def stop(self) -> None:
        """End what was begun, acknowledge it, take leave. The rest stays with the broker."""
        self._stopping.set()
        self._arrived.set()
        await self._tasks[1]
        if self._connected:
            # So the broker publishes the will: whoever watches sees the service gone.
            self._client.disconnect(ReasonCode(PacketTypes.DISCONNECT, identifier=4))
            with suppress(TimeoutError):
                await asyncio.wait_for(self._lost.wait(), GOODBYE_S)
        self._tasks[0].cancel()
        with suppress(asyncio.CancelledError):
            await self._tasks[0]

    # The connection.

    def _new_client(self) -> Client:
        given = self._settings
        client = Client(
            CallbackAPIVersion.VERSION2, client_id=given.client_id, reconnect_on_failure=False,
            protocol=MQTTProtocolVersion.MQTTv5, manual_ack=True)
        if given.username is not None:
            client.username_pw_set(given.username, given.password())
        if given.tls:
            client.tls_set(ca_certs=None if given.ca_file is None else str(given.ca_file))
        client.on_connect = self._on_connect
        client.on_disconnect = self._on_disconnect
        client.on_subscribe = self._on_subscribe
        client.on_message = self._on_message
        client.on_socket_open = self._on_socket_open
        client.on_socket_close = self._on_socket_close
        client.on_socket_register_write = self._on_write_wanted
        client.on_socket_unregister_write = self._on_write_done
        return client

    async def _stay_connected(self) -> None:
        wanted = Properties(PacketTypes.CONNECT)
        wanted.ReceiveMaximum = self._settings.receive_maximum
        wanted.SessionExpiryInterval = self._settings.session_expiry_s
        while True:
            self._lost.clear()
            try:
                await asyncio.to_thread(
                    self._client.connect, self._settings.host, self._settings.port,
                    keepalive=KEEPALIVE_S, clean_start=False, properties=wanted)
                while not self._lost.is_set():
                    with suppress(TimeoutError):
                        await asyncio.wait_for(self._lost.wait(), 1.0)
                    self._client.loop_misc()
            except (OSError, ValueError) as error:
                self._trouble(f"cannot connect: {error}")
            if self._connected_long():
                self._reconnect.reset()
            await asyncio.sleep(self._reconnect.next_s())

    def _connected_long(self) -> bool:
        return bool(self._steady_at) and time.monotonic() >= self._steady_at

    def _trouble(self, what: str) -> None:
        if what != self._last_error:
            _LOG.warning("broker %s port %d: %s", self._settings.host, self._settings.port, what)
        self._last_error = what

    def _state(self, connected: bool) -> None:
        """Every change is another link: an acknowledgement belongs to the one it came over."""
        self._link += 1
        self._connected = connected
        self._since_ms = self._ctx.clock.now_ms()
        self._steady_at = time.monotonic() + STEADY_S if connected else self._steady_at
        self._ctx.metrics.mqtt_connected.set(connected)

    def _on_connect(
        self, client: Client, userdata: Any, flags: ConnectFlags, reason: ReasonCode,
        properties: Properties | None,
    ) -> None:
        if reason.is_failure:
            self._trouble(f"refused: {reason}")
            return
        self._state(True)
        self._ctx.metrics.mqtt_connections.inc()
        if flags.session_present:
            for taken in (*self._wave, *self._queue):
                taken.again = taken.qos > 0 and taken.answer is None
            self._queue = deque(t for t in self._queue if not t.again)
        prefix = self._settings.prefix
        fruit = SubscribeOptions(
            qos=1, noLocal=True, retainHandling=SubscribeOptions.RETAIN_SEND_IF_NEW_SUB)
        # States are kept in memory only, so the retained ones are asked for every time.
        states = SubscribeOptions(qos=1, noLocal=True)
        client.subscribe([(f"{prefix}/source/+", states), *(
            (f"{prefix}/fruit/{topic}", fruit) for topic in self._settings.topics)])
        client.publish(self._will_topic, HERE, retain=True)

    def _on_subscribe(
        self, client: Client, userdata: Any, mid: int, reasons: list[ReasonCode],
        properties: Properties | None,
    ) -> None:
        for reason in reasons:
            if reason.is_failure:
                self._trouble(f"subscription refused: {reason}")

    def _on_disconnect(
        self, client: Client, userdata: Any, flags: DisconnectFlags, reason: ReasonCode,
        properties: Properties | None,
    ) -> None:
        if self._connected:
            self._state(False)
            if not self._stopping.is_set():
                self._trouble(f"connection lost: {reason}")
        self._lost.set()

    # Sockets. `connect` opens one on its own thread, all else happens on the event loop.

    def _on_socket_open(self, client: Client, userdata: Any, sock: Any) -> None:
        self._loop.call_soon_threadsafe(self._loop.add_reader, sock, self._read, sock)

    def _on_socket_close(self, client: Client, userdata: Any, sock: Any) -> None:
        self._loop.remove_reader(sock)
        self._loop.remove_writer(sock)

    def _on_write_wanted(self, client: Client, userdata: Any, sock: Any) -> None:
        self._loop.call_soon_threadsafe(self._watch_writing, sock)

    def _watch_writing(self, sock: Any) -> None:
        if sock is self._client.socket():
            self._loop.add_writer(sock, self._client.loop_write)

    def _on_write_done(self, client: Client, userdata: Any, sock: Any) -> None:
        self._loop.remove_writer(sock)

    def _read(self, sock: Any) -> None:
        try:
            self._client.loop_read()
            # What TLS has decrypted already, the socket does not announce any more.
            while isinstance(sock, ssl.SSLSocket) and sock is self._client.socket():
                if not sock.pending():
                    break
                self._client.loop_read()
        except Exception as error:
            self._trouble(f"cannot read what the broker sends: {error!r}")
            self._client.disconnect()

    # Messages.

    def _on_message(self, client: Client, userdata: Any, message: MQTTMessage) -> None:
        if message.qos == 0 and len(self._queue) >= self._settings.receive_maximum:
            # QoS 0 promises nothing and knows no back-pressure.
            self._ctx.metrics.mqtt_messages.labels("dropped").inc()
            return
        self._messages += 1
        self._queue.append(_Taken(_message_of(message), message.mid, message.qos, self._link))
        self._arrived.set()

    async def _consume(self) -> None:
        """Waves of messages: all that wait are started in their order and commit together."""
        while not self._stopping.is_set():
            await self._arrived.wait()
            self._arrived.clear()
            self._wave, self._queue = self._queue, self._wave
            while self._wave and not self._stopping.is_set():
                await asyncio.gather(*(self._settle(t) for t in self._wave if t.answer is None))
                while self._wave and self._wave[0].answer is not None:
                    self._acknowledge(self._wave.popleft())
                self._wave = deque(t for t in self._wave if not t.again)
                if self._wave:
                    with suppress(TimeoutError):
                        await asyncio.wait_for(self._stopping.wait(), self._pause.next_s())
                else:
                    self._pause.reset()

    async def _settle(self, taken: _Taken) -> None:
        try:
            taken.answer = await settle(
                self._ctx, message=taken.message, prefix=self._settings.prefix)
        except Exception as error:
            # Unkept means unacknowledged, whatever the reason; it is tried again.
            self._trouble(f"messages wait, storage does not take them: {error}")

    def _acknowledge(self, taken: _Taken) -> None:
        if taken.link != self._link:
            return
        message = taken.message
        if message.answer_to is not None and taken.answer is not None:
            told = Properties(PacketTypes.PUBLISH)
            told.ContentType = "application/json"
            if message.correlation is not None:
                told.CorrelationData = message.correlation
            with suppress(ValueError):  # an answer to a topic that cannot be one
                self._client.publish(message.answer_to, taken.answer, properties=told)
        self._client.ack(taken.mid, taken.qos)


def _message_of(message: MQTTMessage) -> Message:
    said = message.properties
    own = dict(getattr(said, "UserProperty", ()))
    return Message(
        topic=message.topic, payload=bytes(message.payload),
        content_type=getattr(said, "ContentType", None), key=own.get("key"), lot=own.get("lot"),
        answer_to=getattr(said, "ResponseTopic", None),
        correlation=getattr(said, "CorrelationData", None))


@asynccontextmanager
async def subscribed(ctx: Context) -> AsyncIterator[Subscription | None]:
    """A subscription as the settings want it, if they do, ended with what it began."""
    if ctx.settings.mqtt is None:
        yield None
        return
    subscription = Subscription(ctx=ctx, settings=ctx.settings.mqtt)
    try:
        yield subscription
    finally:
        await subscription.stop()
