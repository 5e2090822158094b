"""Values by number of their minute, of which only the newest are kept as they are.

A line works for days, and everything about a minute of 32 lanes takes some 400 kilobytes; packed it
takes some 15. Whoever asks for an old minute has it unpacked for the time of asking.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from typing import Final, Generic, TypeVar

Value = TypeVar("Value")

OPEN: Final = 2
"""The minute that fruit come in, and the one before it for those that come late."""


class Kept(Mapping[int, Value], Generic[Value]):
    """In rising order of number. A value, never bytes itself, is what `unpack` makes of what `pack`
    made of it."""

    __slots__ = ("_pack", "_unpack", "_values")

    def __init__(
        self, *, pack: Callable[[Value], bytes], unpack: Callable[[bytes], Value],
        values: Mapping[int, Value | bytes] | None = None,
    ) -> None:
        self._pack = pack
        self._unpack = unpack
        self._values = values or {}

    def changed(self, values: Mapping[int, Value]) -> Kept[Value]:
        """With these in place of those that had their numbers."""
        both = dict(sorted({**self._values, **values}.items()))
        for number in list(both)[:-OPEN]:
            value = both[number]
            if not isinstance(value, bytes):
                both[number] = self._pack(value)
        return Kept(pack=self._pack, unpack=self._unpack, values=both)

    def __getitem__(self, number: int) -> Value:
        value = self._values[number]
        return self._unpack(value) if isinstance(value, bytes) else value

    def __contains__(self, number: object) -> bool:
        return number in self._values

    def __iter__(self) -> Iterator[int]:
        return iter(self._values)

    def __len__(self) -> int:
        return len(self._values)
