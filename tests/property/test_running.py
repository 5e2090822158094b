"""A sum is that of every commit, whatever is committed, asked for and let go of meanwhile."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from grading.record import FruitBatch
from service.running import Running
from service.store.group import LINE, Stored
from service.store.reader import Reader
from tests.support.store_batches import batch_of, verdicts_of

NO_READER: Any = None
STEPS = st.lists(st.one_of(
    st.tuples(st.just("commit"), st.integers(1, 3)),
    st.just(("rest", 0)), st.just(("value", 0)), st.just(("fail", 0)), st.just(("break", 0)),
    st.tuples(st.just("meanwhile"), st.lists(st.sampled_from(
        ["commit", "rest", "value", "break"]), max_size=5))), max_size=40)


class Scripted(Running[int]):
    """Counts fruit; the disk is a list of commits, and something happens while it is read."""

    def __init__(self) -> None:
        super().__init__(lot="L-0417", empty=int, add=self.added)
        self.disk: list[int] = []
        self.recounts = 0
        self.broken = False
        self.meanwhile: Callable[[], None] = lambda: None

    def added(self, total: int, batch: FruitBatch, _: object) -> int:
        broken, self.broken = self.broken, False
        if broken:
            raise MemoryError
        return total + len(batch)

    def _recount(self, reader: Reader) -> tuple[int, int]:
        self.recounts += 1
        through, found = len(self.disk), sum(self.disk)
        now, self.meanwhile = self.meanwhile, lambda: None
        now()
        return through, found

    def commit(self, n: int = 1) -> None:
        self.disk.append(n)
        batch = batch_of(seqs=list(range(n)))
        self.committed(commit=len(self.disk), stored=Stored(
            lot="L-0417", kind=LINE, digest="d", batch=batch, verdicts=verdicts_of(batch=batch)))

    def asked(self) -> None:
        try:
            assert self.value(reader=NO_READER) == sum(self.disk)
        except MemoryError:
            self.asked()

    def breaks(self) -> None:
        """The next addition fails."""
        self.broken = True


@given(STEPS)
def test_the_sum_of_every_commit(steps: list[tuple[str, Any]]) -> None:
    sums = Scripted()

    def during(what: list[str]) -> None:
        for one in what:
            {"commit": sums.commit, "rest": sums.rest, "value": sums.asked,
             "break": sums.breaks}[one]()

    def fail() -> None:
        sums.commit()
        raise OSError("the disk cannot be read")

    for what, more in steps:
        if what == "commit":
            sums.commit(more)
        elif what == "rest":
            sums.rest()
        elif what == "value":
            sums.asked()
        elif what == "break":
            sums.breaks()
        elif what == "meanwhile":
            sums.meanwhile = lambda what=more: during(what)
            sums.asked()
        else:
            sums.meanwhile, sums.broken = fail, False
            before = sums.recounts
            try:
                sums.value(reader=NO_READER)
            except OSError:
                assert not sums._pending
            else:
                assert sums.recounts == before
        sums.meanwhile = lambda: None
    sums.asked()


def test_what_nobody_asks_for_is_let_go_and_nothing_is_remembered_for_it() -> None:
    sums = Scripted()
    sums.commit(2)
    assert not sums._pending
    sums.asked()
    assert not sums.rest()  # it was asked for
    sums.commit(3)
    sums.asked()
    assert not sums.rest()
    assert sums.rest()
    assert not sums.rest()  # there is nothing
    sums.commit(1)
    assert not sums._pending
    assert sums.recounts == 1
    sums.asked()
    assert sums.recounts == 2


def test_a_sum_that_could_not_be_read_is_asked_for_again() -> None:
    sums = Scripted()
    sums.commit(2)

    def fail() -> None:
        raise OSError("the disk cannot be read")

    sums.meanwhile = fail
    with pytest.raises(OSError, match="cannot be read"):
        sums.value(reader=NO_READER)
    sums.commit(1)
    sums.asked()


def test_a_failed_addition_loses_nothing_of_what_another_counts() -> None:
    sums = Scripted()

    def meanwhile() -> None:
        sums.commit(3)
        sums.asked()
        sums.commit(5)
        sums.breaks()
        with pytest.raises(MemoryError):
            sums.value(reader=NO_READER)

    sums.meanwhile = meanwhile
    sums.asked()


def test_nothing_is_let_go_while_the_disk_is_read() -> None:
    sums = Scripted()
    sums.commit(2)

    def meanwhile() -> None:
        sums.commit(3)
        sums.asked()
        assert not sums.rest()
        assert not sums.rest()

    sums.meanwhile = meanwhile
    sums.asked()
