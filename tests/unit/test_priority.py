"""Workers rest between pieces of their work; nobody else does."""

from __future__ import annotations

import time

import pytest

from service.priority import PIECE_S, REST_S, let_fruit_pass, workers


def work(pieces: int) -> None:
    for _ in range(pieces):
        begun = time.thread_time()
        while time.thread_time() - begun <= PIECE_S:
            pass
        let_fruit_pass()
        let_fruit_pass()  # there was nothing between the two


@pytest.fixture
def rests(monkeypatch: pytest.MonkeyPatch) -> list[float]:
    found: list[float] = []
    monkeypatch.setattr(time, "sleep", found.append)
    return found


def test_a_worker_rests_once_after_every_piece_of_its_work(rests: list[float]) -> None:
    with workers() as pool:
        pool.submit(work, 5).result()
        assert rests == [REST_S] * 5


def test_another_thread_never_rests(rests: list[float]) -> None:
    work(5)
    assert rests == []
