"""The long-distance house standard said again, by hand, in two general query engines.

Each gives what the kernel gives: size, maturity, grade and pack codes, the set of reasons and the
decisive one; `classes` leaves the reasons out. Limits are whole quanta, as the kernel has them, so
the engines need not convert anything. Reason numbers are those of `grading.reasons`.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Protocol

import duckdb
import polars as pl
import pyarrow as pa

from grading.kernel import Compiled
from grading.record import FruitBatch

MEASURES = ("diameter", "hue", "blush", "sugar", "firmness")
SIZES = (5715, 6350, 6985, 7620, 8255)
FIRMNESS = ((890, 8), (1779, 7), (2669, 6), (3559, 5), (5338, 4), (6228, 3), (7117, 2))


class Peer(Protocol):
    def prepare(self, batch: FruitBatch, rules: Compiled) -> Any: ...

    def classes(self, state: Any) -> dict[str, Any]: ...

    def everything(self, state: Any) -> dict[str, Any]: ...


def table(batch: FruitBatch) -> pa.Table:
    """The measures as an Arrow table with nulls."""
    return pa.table({
        name: pa.array(batch.measures[name].values, mask=~batch.measures[name].present)
        for name in MEASURES})


@dataclass(frozen=True)
class Polars:
    """Lazy expressions, one thread (POLARS_MAX_THREADS is set before the import)."""

    def prepare(self, batch: FruitBatch, rules: Compiled) -> Any:
        frame = pl.from_arrow(table(batch))
        assert isinstance(frame, pl.DataFrame)
        return frame.rechunk()

    def classes(self, state: Any) -> dict[str, Any]:
        done = self._packed(state).select("size", "maturity", "grade", "pack").collect()
        return {name: done[name].to_numpy() for name in done.columns}

    def everything(self, state: Any) -> dict[str, Any]:
        wide, m, s = pl.UInt32, pl.col("maturity"), pl.col("size")
        hue, blush, sugar = pl.col("hue"), pl.col("blush"), pl.col("sugar")

        def bit(fails: pl.Expr, reason: int) -> pl.Expr:
            return pl.when(fails.fill_null(False)).then(pl.lit(1 << reason, wide)).otherwise(
                pl.lit(0, wide))

        def missed(lo: int, hi: int, size: int, least: int, sweet: int) -> tuple[pl.Expr, pl.Expr]:
            fails = [(m < lo, 4), (m > hi, 5), (s < size, 1), (hue >= 10900, 4),
                     (blush < least, 10), (sugar < sweet, 8)]
            bits, first = pl.lit(0, wide), pl.lit(0, pl.UInt8)
            for test, reason in reversed(fails):
                bits = bits | bit(test, reason)
                first = pl.when(test.fill_null(False)).then(pl.lit(reason, pl.UInt8)).otherwise(
                    first)
            return bits, first

        rungs = [missed(3, 3, 3, 333, 1100), missed(2, 4, 3, 250, 1000), missed(2, 4, 2, 0, 900)]
        g = pl.col("grade")
        none32, none8 = pl.lit(0, wide), pl.lit(0, pl.UInt8)
        why, first = none32, none8
        for code, (bits, decisive) in zip((2, 3, 4), rungs, strict=True):
            why = pl.when(g == code).then(bits).otherwise(why)
            first = pl.when(g == code).then(decisive).otherwise(first)
        lacking = bit((g <= 3) & sugar.is_null(), 9) | bit((g <= 2) & blush.is_null(), 12) | bit(
            (g <= 3) & hue.is_null(), 19)
        apart = (pl.col("by_firmness").cast(pl.Int8) - pl.col("by_hue").cast(pl.Int8)).abs() >= 2
        both = (pl.col("by_firmness") > 0) & (pl.col("by_hue") > 0)
        done = self._packed(state).select(
            "size", "maturity", "grade", "pack", (why | lacking | bit(apart & both, 7)).alias(
                "reasons"), first.alias("decisive")).collect()
        return {name: done[name].to_numpy() for name in done.columns}

    def _packed(self, state: Any) -> pl.LazyFrame:
        d, hue, blush, sugar, firm = (pl.col(m) for m in MEASURES)
        small = pl.UInt8
        size = pl.when(d.is_null()).then(pl.lit(0, small)).otherwise(
            pl.sum_horizontal([(d >= s).cast(small) for s in SIZES]).cast(small)
            + pl.lit(1, small))
        by_firmness = pl.lit(1, small)
        for mark, code in reversed(FIRMNESS):
            by_firmness = pl.when(firm < mark).then(pl.lit(code, small)).otherwise(by_firmness)
        by_firmness = pl.when(firm.is_null()).then(pl.lit(0, small)).otherwise(by_firmness)
        by_hue = pl.when(hue.is_null()).then(pl.lit(0, small)).when(hue >= 10500).then(
            pl.lit(1, small)).when(hue >= 9600).then(pl.lit(3, small)).when(hue >= 9000).then(
            pl.lit(4, small)).otherwise(pl.lit(5, small))
        staged = state.lazy().with_columns(
            size=size, by_firmness=by_firmness, by_hue=by_hue).with_columns(
            maturity=pl.max_horizontal("by_firmness", "by_hue"))
        s, m = pl.col("size"), pl.col("maturity")
        ok_hue = (hue < 10900).fill_null(True)
        mid = m.is_between(2, 4)

        def sweet(least: int) -> pl.Expr:
            return (sugar >= least).fill_null(True)

        select = (m == 3) & (s >= 3) & ok_hue & (blush >= 333).fill_null(True) & sweet(1100)
        standard = mid & (s >= 3) & ok_hue & (blush >= 250).fill_null(True) & sweet(1000)
        value = mid & (s >= 2) & ok_hue & sweet(900)
        graded = staged.with_columns(
            grade=pl.when(select).then(pl.lit(1, small)).when(standard).then(
                pl.lit(2, small)).when(value).then(pl.lit(3, small)).otherwise(pl.lit(4, small)))
        g = pl.col("grade")
        packed: pl.LazyFrame = graded.with_columns(
            pack=pl.when((g == 1) & (s >= 4)).then(pl.lit(1, small)).when(g <= 2).then(
                pl.lit(2, small)).when(g == 3).then(pl.lit(3, small)).otherwise(
                pl.lit(4, small)))
        return packed


@dataclass(frozen=True)
class DuckDb:
    """One SQL statement of CASE expressions over a native table, one thread."""

    def prepare(self, batch: FruitBatch, rules: Compiled) -> Any:
        con = duckdb.connect(config={"threads": 1})
        con.register("given", table(batch))
        con.execute("CREATE TABLE fruit AS SELECT * FROM given")
        return con

    def classes(self, state: Any) -> dict[str, Any]:
        found: dict[str, Any] = state.execute(self._sql("")).fetchnumpy()
        return found

    def everything(self, state: Any) -> dict[str, Any]:
        rungs = ((3, 3, 3, 333, 1100), (2, 4, 3, 250, 1000), (2, 4, 2, 0, 900))
        why, first = "", ""
        for code, (lo, hi, size, least, sweet) in enumerate(rungs, start=2):
            fails = ((f"maturity < {lo}", 4), (f"maturity > {hi}", 5), (f"size < {size}", 1),
                     ("hue >= 10900", 4), (f"blush < {least}", 10), (f"sugar < {sweet}", 8))
            bits = " | ".join(f"CASE WHEN {test} THEN {1 << r} ELSE 0 END" for test, r in fails)
            why += f" WHEN grade = {code} THEN {bits}"
            chain = " ".join(f"WHEN {test} THEN {r}" for test, r in fails)
            first += f" WHEN grade = {code} THEN CASE {chain} ELSE 0 END"
        extra = f""", ((CASE {why} ELSE 0 END)
            | CASE WHEN grade <= 3 AND sugar IS NULL THEN {1 << 9} ELSE 0 END
            | CASE WHEN grade <= 2 AND blush IS NULL THEN {1 << 12} ELSE 0 END
            | CASE WHEN grade <= 3 AND hue IS NULL THEN {1 << 19} ELSE 0 END
            | CASE WHEN f > 0 AND h > 0 AND abs(f - h) >= 2 THEN {1 << 7} ELSE 0 END
            )::UINTEGER AS reasons, (CASE {first} ELSE 0 END)::UTINYINT AS decisive"""
        found: dict[str, Any] = state.execute(self._sql(extra)).fetchnumpy()
        return found

    def _sql(self, extra: str) -> str:
        size = " + ".join(f"(diameter >= {s})::UTINYINT" for s in SIZES)
        firm = " ".join(f"WHEN firmness < {mark} THEN {code}" for mark, code in FIRMNESS)
        return f"""
            WITH indicated AS (
              SELECT *, CASE WHEN diameter IS NULL THEN 0 ELSE 1 + {size} END::UTINYINT AS size,
                CASE WHEN firmness IS NULL THEN 0 {firm} ELSE 1 END::TINYINT AS f,
                CASE WHEN hue IS NULL THEN 0 WHEN hue >= 10500 THEN 1 WHEN hue >= 9600 THEN 3
                     WHEN hue >= 9000 THEN 4 ELSE 5 END::TINYINT AS h
              FROM fruit),
            staged AS (SELECT *, greatest(f, h)::UTINYINT AS maturity FROM indicated),
            graded AS (
              SELECT *, CASE
                WHEN maturity = 3 AND size >= 3 AND coalesce(hue < 10900, true)
                  AND coalesce(blush >= 333, true) AND coalesce(sugar >= 1100, true) THEN 1
                WHEN maturity BETWEEN 2 AND 4 AND size >= 3 AND coalesce(hue < 10900, true)
                  AND coalesce(blush >= 250, true) AND coalesce(sugar >= 1000, true) THEN 2
                WHEN maturity BETWEEN 2 AND 4 AND size >= 2 AND coalesce(hue < 10900, true)
                  AND coalesce(sugar >= 900, true) THEN 3
                ELSE 4 END::UTINYINT AS grade
              FROM staged)
            SELECT size, maturity, grade, CASE WHEN grade = 1 AND size >= 4 THEN 1
              WHEN grade <= 2 THEN 2 WHEN grade = 3 THEN 3 ELSE 4 END::UTINYINT AS pack {extra}
            FROM graded"""


PEERS: dict[str, Peer] = {"polars expressions": Polars(), "duckdb CASE": DuckDb()}
