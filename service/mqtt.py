"""MQTT 5: fruit from the house's broker, acknowledged after the commit.

The service has a session of its own at the broker, which outlives connections and restarts, and
shares nothing with other subscribers. A message is acknowledged when it is on the disk, in the
order in which messages came (MQTT 5.0, 4.6), so what a crash leaves unacknowledged comes again
and is absorbed as a repeat. The broker stops sending at `receive_maximum` unacknowledged
messages; that is the back-pressure. The subscription is of QoS 1: at QoS 2 the library would
give the broker its receipt before anything is stored.
"""

from __future__ import annotations

import asyncio
from collections import deque
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager, suppress
from dataclasses import dataclass
from typing import Any, Final

from paho.mqtt.client import MQTTMessage

from service.context import Context
from service.mqtt_link import Backoff, Link
from service.mqtt_road import Message, settle
from service.settings import MqttSettings

STORAGE_PAUSE_S: Final = 2.0
"""Longest pause before storage is asked again."""


@dataclass(slots=True)
class _Taken:
    """A message that came over connection number `link`, until it is acknowledged.

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
        self._queue: deque[_Taken] = deque()
        self._wave: deque[_Taken] = deque()
        self._arrived = asyncio.Event()
        self._stopping = asyncio.Event()
        self._messages = 0
        self._pause = Backoff(cap_s=STORAGE_PAUSE_S)
        self._link = Link(settings=settings, metrics=ctx.metrics, clock=ctx.clock,
                          on_message=self._on_message, on_up=self._on_up)
        ctx.metrics.mqtt_unacknowledged.set_function(self._unacknowledged)
        self._consumer = asyncio.create_task(self._consume())

    def status(self) -> dict[str, Any]:
        """For people: broker, client_id, connected, since when (it is or is not), last_error,
        messages taken since the start, and how many of them are not yet acknowledged."""
        return {**self._link.status(), "messages": self._messages,
                "unacknowledged": self._unacknowledged()}

    def _unacknowledged(self) -> int:
        return len(self._queue) + len(self._wave)

    async def stop(self) -> None:
        """End what was begun, acknowledge it, take leave. The rest stays with the broker."""
        self._stopping.set()
        self._arrived.set()
        await self._consumer
        await self._link.close()

    def _on_up(self, session_present: bool) -> None:
        """A broker that kept the session sends again what was not acknowledged; of one that
        lost it, whatever has come must be used."""
        if session_present:
            for taken in (*self._wave, *self._queue):
                taken.again = taken.qos > 0
            self._queue = deque(t for t in self._queue if not t.again)

    def _on_message(self, message: MQTTMessage) -> None:
        if self._stopping.is_set():
            return
        if message.qos == 0 and self._unacknowledged() >= 2 * self._settings.receive_maximum:
            # QoS 0 promises nothing and knows no back-pressure, so it has its own limit.
            self._ctx.metrics.mqtt_messages.labels("dropped").inc()
            return
        self._messages += 1
        self._queue.append(
            _Taken(_message_of(message), message.mid, message.qos, self._link.number))
        self._arrived.set()

    async def _consume(self) -> None:
        """Waves of messages: all that wait are begun in their order and commit together."""
        while not self._stopping.is_set():
            await self._arrived.wait()
            self._arrived.clear()
            self._wave, self._queue = self._queue, deque()
            while self._wave and not self._stopping.is_set():
                await self._settle_wave()
                if self._wave:
                    with suppress(TimeoutError):
                        await asyncio.wait_for(self._stopping.wait(), self._pause.next_s())
                else:
                    self._pause.reset()

    async def _settle_wave(self) -> None:
        """One attempt at all of the wave; what storage does not take is left in it."""
        await asyncio.gather(*(self._settle(t) for t in self._wave if t.answer is None))
        while self._wave and self._wave[0].answer is not None:
            self._acknowledge(self._wave.popleft())
        self._wave = deque(t for t in self._wave if not t.again)

    async def _settle(self, taken: _Taken) -> None:
        try:
            taken.answer = await settle(
                self._ctx, message=taken.message, prefix=self._settings.prefix)
        except Exception as error:
            # Not kept is not acknowledged, whatever the reason.
            self._link.trouble(f"messages wait, storage does not take them: {error}")

    def _acknowledge(self, taken: _Taken) -> None:
        """Answer, then acknowledge, but only over the connection that the message came over."""
        if taken.link != self._link.number:
            return
        message = taken.message
        if message.answer_to is not None and taken.answer is not None:
            self._link.publish(topic=message.answer_to, payload=taken.answer,
                               correlation=message.correlation)
        self._link.acknowledge(mid=taken.mid, qos=taken.qos)


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
    """A subscription if the settings name a broker, ended with what it began."""
    if ctx.settings.mqtt is None:
        yield None
        return
    subscription = Subscription(ctx=ctx, settings=ctx.settings.mqtt)
    try:
        yield subscription
    finally:
        await subscription.stop()
