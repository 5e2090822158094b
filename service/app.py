"""`create_app`: the only place where the parts are joined."""

from __future__ import annotations

import asyncio
import logging
import sqlite3
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from importlib.metadata import version
from typing import Final

from fastapi import FastAPI, Request, Response
from fastapi.exceptions import RequestValidationError
from starlette.exceptions import HTTPException
from starlette.routing import Match

from grading.errors import Finding
from service import pages
from service.alarms.providers import broker, facts_of, shipped
from service.alarms.runner import Runner, watched
from service.alarms.watching import Rejects
from service.api import (
    agreement,
    alarms,
    changes,
    checks,
    culls,
    cut_effects,
    cuts,
    findings,
    fruit,
    lines,
    lots,
    ops,
    pulls,
    quarantine,
    rejects,
    sources,
    standards,
)
from service.api.describe import describe
from service.api.records import post_records
from service.api.shortcut import RecordsFirst
from service.api.stream import mount as mount_streams
from service.clock import Clock, check_set
from service.context import Context
from service.cuts import Cuts, watched_cuts
from service.guard import Guard
from service.heartbeat import beating
from service.ingest.parser import Parser, beside
from service.library import Library
from service.lines import Arrivals, Lines
from service.live import Live
from service.lots import Lots
from service.metrics import Metrics
from service.mqtt import subscribed
from service.presence import Presence
from service.priority import workers
from service.problems import Problem
from service.quarantine import Quarantine
from service.resting import resting
from service.road import Road
from service.settings import Settings
from service.sources import Sources
from service.store.alarms import last_alarm, open_alarms
from service.store.cuts import CUTS
from service.store.group import Stored
from service.store.lots import LOTS
from service.store.open import Store, open_store, usable
from service.store.sources import ASSIGNMENTS, KEYS, LINES, SOURCES, heights
from service.store.standards import PROFILES, STANDARDS, texts
from service.throughput import Throughput
from service.watch.watch import Watch, watched_lines

_LOG: Final = logging.getLogger(__name__)

ABOUT = """\
Packing-line quality control for peaches and nectarines. Records of single fruit come in from line
sensors and hand pulls; each gets a size class, a maturity class, a grade and a pack under a
versioned pack standard, with the reasons. House record, not an official certificate.
"""


def join(*, settings: Settings, clock: Clock) -> Context:
    """Open the store and put the parts together. Raises store.errors.Refused."""
    check_set(now_ms=clock.now_ms())
    store = open_store(
        data_dir=settings.data_dir, now_ms=clock.now_ms(), queue_fruit=settings.queue_fruit)
    try:
        with usable(data_dir=settings.data_dir):
            return _join(settings=settings, clock=clock, store=store)
    except BaseException:
        store.close()
        raise


def _join(*, settings: Settings, clock: Clock, store: Store) -> Context:
    metrics = Metrics()
    metrics.storage_sync_seconds.set(store.sync_ms / 1000)
    found = _load_lots(store)
    writer = store.writer
    metrics.queue_records.set_function(lambda: writer.waiting_fruit)

    def publish(stored: list[Stored]) -> None:
        found.committed(stored=stored, commit=writer.commit_no)
        metrics.commits.inc()
        metrics.commit_seconds.observe(writer.commit_s)
        metrics.commit_records.observe(sum(len(s.batch) for s in stored))
        throughput.committed(stored=stored)
        rejects.committed(stored=stored)

    writer.on_commit.append(publish)
    kept = Quarantine(writer=writer, metrics=metrics, per_day=settings.quarantine_per_day)
    senders, lines_, arrivals = _load_senders(store, settings, clock)
    moved = _load_cuts(store, clock, found, lines_)
    rejects = Rejects(lots=found)
    throughput = Throughput(lots=found, lines=lines_, metrics=metrics)
    parser = Parser(limit=settings.body_bytes)
    extra = (settings.standards_dir,) if settings.standards_dir else ()
    ctx = Context(
        settings=settings, clock=clock, store=store, lots=found, metrics=metrics, quarantine=kept,
        road=Road(lots=found, sources=senders, lines=lines_, arrivals=arrivals, writer=writer,
                  parser=parser, quarantine=kept, metrics=metrics, clock=clock),
        parser=parser, library=Library(extra_dirs=extra), sources=senders, lines=lines_,
        arrivals=arrivals,
        cuts=moved, presence=Presence(metrics=metrics, clock=clock), live=Live(metrics=metrics),
        throughput=throughput, rejects=rejects, watch=Watch(reader=store.reader),
        alarms=_load_alarms(store, clock, metrics))
    ctx.alarms.providers.extend(shipped(ctx))
    ctx.alarms.facts = facts_of(ctx)
    return ctx


def _load_alarms(store: Store, clock: Clock, metrics: Metrics) -> Runner:
    runner = Runner(writer=store.writer, clock=clock, metrics=metrics)
    with store.reader.connection() as conn:
        runner.load(rows=open_alarms(conn), last_id=last_alarm(conn))
    return runner


def _load_senders(
    store: Store, settings: Settings, clock: Clock
) -> tuple[Sources, Lines, Arrivals]:
    senders, lines_ = Sources(unregistered=settings.unregistered_sources), Lines()
    with store.reader.connection() as conn:
        senders.load(rows=SOURCES.select(conn, where="1 ORDER BY id, revision"),
                     keys=KEYS.select(conn, where="1"))
        lines_.load(rows=LINES.select(conn, where="1"),
                    turns=ASSIGNMENTS.select(conn, where="1 ORDER BY id"))
        return senders, lines_, Arrivals(clock=clock, heights=heights(conn))


def _load_cuts(store: Store, clock: Clock, lots_: Lots, lines_: Lines) -> Cuts:
    moved = Cuts(lots=lots_, lines=lines_)
    with store.reader.connection() as conn:
        moved.load(rows=CUTS.select(conn, where="1 ORDER BY id"), now_ms=clock.now_ms())
    return moved


def _load_lots(store: Store) -> Lots:
    lots_ = Lots()
    with store.reader.connection() as conn:
        lots_.load(
            rows=LOTS.select(conn, where="1"),
            standards=texts(conn, table=STANDARDS), profiles=texts(conn, table=PROFILES))
    return lots_


def create_app(
    *, settings: Settings, clock: Clock | None = None, joined: Context | None = None,
    processes: int = 0,
) -> FastAPI:
    """The service as an ASGI application. It opens the store when it starts, unless that was done
    before (`joined`), and closes it when it ends. processes: how many take large bodies apart
    beside this one."""

    @asynccontextmanager
    async def lifespan(app: FastAPI) -> AsyncIterator[None]:
        asyncio.get_running_loop().set_default_executor(workers())
        ctx = app.state.context = joined or join(settings=settings, clock=clock or Clock())
        try:
            async with (beside(ctx.parser, processes=processes), subscribed(ctx) as mqtt,
                        beating(ctx), watched(ctx.alarms), watched_cuts(ctx), watched_lines(ctx),
                        resting(ctx)):
                app.state.mqtt = mqtt
                if mqtt is not None:
                    ctx.alarms.providers.append(broker(mqtt.status))
                yield
        finally:
            ctx.store.close()

    app = FastAPI(
        title="Drupe", version=version("drupe"), description=ABOUT, lifespan=lifespan,
        docs_url=None, redoc_url=None, openapi_url="/v1/openapi.json")
    app.router.add_route("/v1/records", post_records, methods=["POST"], include_in_schema=False)
    for part in (lots, fruit, pulls, lines, cuts, cut_effects, changes, findings, sources, checks,
                 alarms, quarantine, standards, ops, culls, rejects, agreement):
        app.include_router(part.router)
    mount_streams(app)
    pages.mount(app)
    app.add_exception_handler(Problem, _problem)
    app.add_exception_handler(RequestValidationError, _invalid)
    app.add_exception_handler(HTTPException, _http)
    app.add_exception_handler(sqlite3.OperationalError, _unreadable)
    app.add_exception_handler(Exception, _unforeseen)
    app.add_middleware(RecordsFirst, endpoint=post_records, unreadable=_unreadable)
    app.add_middleware(Guard)
    describe(app)
    return app


async def _problem(request: Request, error: Exception) -> Response:
    assert isinstance(error, Problem)
    return error.response()


async def _invalid(request: Request, error: Exception) -> Response:
    assert isinstance(error, RequestValidationError)
    findings = []
    for item in error.errors():
        where, *path = (str(p) for p in item["loc"])
        prefix = "" if where == "body" else f"/{where}"
        value = item.get("input")
        shown = "" if isinstance(value, dict | list) else f" (got {str(value)[:80]!r})"
        findings.append(Finding(prefix + "".join(f"/{p}" for p in path), item["type"],
                                item["msg"] + shown + ".", ""))
    broken = any(item["type"] == "json_invalid" for item in error.errors())
    return Problem(status=400 if broken else 422, code="request",
                   detail="The request cannot be used.", findings=findings).response()


async def _http(request: Request, error: Exception) -> Response:
    assert isinstance(error, HTTPException)
    answer = Problem(status=error.status_code, code="http",
                     detail=f"{request.method} {request.url.path}: {error.detail}.").response()
    answer.headers.update(error.headers or {})
    if error.status_code == 405:
        answer.headers["Allow"] = ", ".join(_allowed(request))
    return answer


def _allowed(request: Request) -> list[str]:
    """Every method of the address; the router names only those of the first route that fits."""
    methods: set[str] = set()
    for route in request.app.routes:
        if route.matches(request.scope)[0] is not Match.NONE:
            methods |= set(getattr(route, "methods", None) or ())
    return sorted(methods)


async def _unreadable(request: Request, error: Exception) -> Response:
    """Readers meet the disk outside the writer, which has its own answers (`trouble`)."""
    _LOG.error("the store cannot be read", exc_info=error)
    return Problem(status=503, code="storage", retry_after_s=5, detail=(
        f"The store cannot be read now ({error}). Try again.")).response()


async def _unforeseen(request: Request, error: Exception) -> Response:
    return Problem(status=500, code="unforeseen", detail=(
        "Something here failed that should not. Nothing is acknowledged; the log has the details."
    )).response()


