"""Rows of the ordinary tables as frozen dataclasses: insert, get, page by id."""

from __future__ import annotations

import sqlite3
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, fields
from typing import Any, Generic, TypeVar

import msgspec

Row = TypeVar("Row")

PAGE: int = 100


@dataclass(frozen=True, slots=True)
class Table(Generic[Row]):
    """A table whose columns are the fields of `row` in their order; `json` ones hold JSON."""

    name: str
    row: type[Row]
    key: str = "id"
    json: frozenset[str] = frozenset()

    def columns(self) -> list[str]:
        return [f.name for f in fields(self.row)]  # type: ignore[arg-type]  # a dataclass

    def to_sql(self, *, column: str, value: Any) -> Any:
        if column in self.json and value is not None:
            return msgspec.json.encode(value).decode()
        return value

    def insert(self, conn: sqlite3.Connection, *, row: Row) -> int:
        """Adds a row; its rowid. sqlite3.IntegrityError if the key is taken."""
        columns = self.columns()
        values = [self.to_sql(column=c, value=getattr(row, c)) for c in columns]
        marks = ", ".join("?" * len(columns))
        done = conn.execute(
            f"INSERT INTO {self.name} ({', '.join(columns)}) VALUES ({marks})", values
        )
        return int(done.lastrowid or 0)

    def get(self, conn: sqlite3.Connection, *, key: str | int) -> Row | None:
        found = self.select(conn, where=f"{self.key} = ?", params=(key,))
        return found[0] if found else None

    def page(
        self,
        conn: sqlite3.Connection,
        *,
        after: str | int | None = None,
        limit: int = PAGE,
        newest_first: bool = False,
        equal: Mapping[str, Any] | None = None,
    ) -> list[Row]:
        """Up to `limit` rows past the key `after`, in order of the key.

        equal: column to wanted value; None means null. Pass the last row's key as the next
        `after`; a page shorter than `limit` is the last one.
        """
        where, params = ["1"], []
        if after is not None:
            where.append(f"{self.key} {'<' if newest_first else '>'} ?")
            params.append(after)
        for column, value in (equal or {}).items():
            where.append(f"{column} IS ?")
            params.append(value)
        order = f"{self.key} {'DESC' if newest_first else 'ASC'}"
        return self.select(
            conn, where=f"{' AND '.join(where)} ORDER BY {order} LIMIT ?", params=[*params, limit]
        )

    def select(
        self, conn: sqlite3.Connection, *, where: str, params: Sequence[Any] = ()
    ) -> list[Row]:
        columns = self.columns()
        rows = conn.execute(
            f"SELECT {', '.join(columns)} FROM {self.name} WHERE {where}", params
        )
        return [self._row(dict(zip(columns, values, strict=True))) for values in rows]

    def _row(self, values: dict[str, Any]) -> Row:
        for column in self.json:
            if values[column] is not None:
                values[column] = msgspec.json.decode(values[column])
        return self.row(**values)

    def update(
        self, conn: sqlite3.Connection, *, key: str | int, **changes: Any
    ) -> bool:
        """Sets the given columns of one row; whether there is such a row."""
        unknown = changes.keys() - set(self.columns())
        if unknown:
            raise ValueError(f"{self.name} has no {', '.join(sorted(unknown))}")
        values = [self.to_sql(column=c, value=v) for c, v in changes.items()]
        sets = ", ".join(f"{c} = ?" for c in changes)
        done = conn.execute(
            f"UPDATE {self.name} SET {sets} WHERE {self.key} = ?", [*values, key]
        )
        return done.rowcount == 1
