"""The grading kernel against copying its bytes, a polars expression and a duckdb CASE.

All on one core, on the long-distance house standard, with 60 % of sugar and 85 % of firmness
missing. The peers state the same rules by hand in their own language; the run first checks that
all three give every fruit the same classes and the same reasons.
"""

from __future__ import annotations

import os
import time
from collections.abc import Callable
from functools import partial
from typing import Any

import numpy as np

from benchmarks.report import Line
from grading.kernel import Compiled, compile_standard
from grading.record import Column, FruitBatch
from service.library import Library

FRUIT = 4_000_000
ROUNDS = 7


def sample(*, n: int, seed: int = 20260714) -> FruitBatch:
    """n random fruit of a yellow peach lot."""
    rng = np.random.default_rng(seed)

    def column(mean: float, sd: float, low: int, high: int, missing: float) -> Column:
        values = np.clip(np.rint(rng.normal(mean, sd, n)), low, high).astype(np.uint16)
        present = rng.random(n) >= missing
        values[~present] = 0
        return Column(values, present)

    firmness = column(5600, 900, 10, 20000, 0.85)
    return FruitBatch(
        source="bench", run="1", seq=np.arange(n), lane=np.zeros(n, np.uint8),
        time_ms=Column(np.zeros(n, np.int64), np.zeros(n, np.bool_)),
        measures={
            "diameter": column(6600, 500, 2000, 15000, 0.0),
            "hue": column(9400, 600, 0, 35999, 0.0),
            "blush": column(550, 180, 0, 1000, 0.0),
            "sugar": column(1180, 110, 100, 3500, 0.6),
            "firmness": firmness,
            "tip": Column(np.where(firmness.present, 800, 0).astype(np.uint16), firmness.present),
        })


def best(work: Callable[[], Any], rounds: int = ROUNDS) -> float:
    """Shortest time of several rounds, in seconds."""
    times = []
    for _ in range(rounds):
        start = time.perf_counter()
        work()
        times.append(time.perf_counter() - start)
    return min(times)


def compiled() -> Compiled:
    library = Library()
    return compile_standard(
        standard=library.standard("house-long-distance"),
        profile=library.profile("yellow-melting-peach"))


def run() -> list[Line]:
    """Lines of the report; needs the `bench` extras."""
    os.environ["POLARS_MAX_THREADS"] = "1"
    from benchmarks import peers

    if hasattr(os, "sched_setaffinity"):
        os.sched_setaffinity(0, {sorted(os.sched_getaffinity(0))[0]})
    batch, rules = sample(n=FRUIT), compiled()
    used = [batch.measures[a.measure] for a in rules.axes if a.measure in batch.measures]
    buffers = [(c.values.copy(), c.present.copy()) for c in used]

    def copy() -> None:
        for column, (values, present) in zip(used, buffers, strict=True):
            np.copyto(values, column.values)
            np.copyto(present, column.present)

    ours = rules.grade(batch=batch)
    seconds = {"kernel": best(lambda: rules.grade(batch=batch)), "copy": best(copy)}
    for name, peer in peers.PEERS.items():
        state = peer.prepare(batch, rules)
        for column, values in peer.everything(state).items():
            if not np.array_equal(values, getattr(ours, column)):
                raise SystemExit(f"{name}: {column} differs from the kernel's: not comparable")
        seconds[name] = best(partial(peer.everything, state), rounds=5)
        seconds[f"{name}, classes only"] = best(partial(peer.classes, state), rounds=5)
    rate = {k: FRUIT / s / 1e6 for k, s in seconds.items()}
    bar = "met" if rate["kernel"] >= 40 else "NOT MET"
    lines = [
        Line("kernel", f"{rate['kernel']:.1f} million fruit/s on one core", f"bar 40: {bar}"),
        Line("kernel : copying its bytes", f"1 : {rate['copy'] / rate['kernel']:.1f}",
             f"the limit ({rate['copy']:.0f} million fruit/s)"),
    ]
    for name in seconds:
        if name in ("kernel", "copy"):
            continue
        ratio = rate["kernel"] / rate[name]
        bar = f"bar 2: {'met' if ratio >= 2 else 'NOT MET'}"
        lines.append(Line(f"kernel : {name}", f"{ratio:.1f} : 1 ({rate[name]:.1f} million fruit/s)",
                          "gives less than the kernel" if "only" in name else bar))
    return lines
