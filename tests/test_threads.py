"""Two things side by side give what they give one after the other, also when they fail."""

from __future__ import annotations

import os
import threading
from collections.abc import Iterator

import cv2
import pytest

from hueph import _threads
from hueph._threads import side_by_side


@pytest.fixture(params=[1, 2])
def threads(request: pytest.FixtureRequest) -> Iterator[int]:
    """Hold OpenCV to so many threads."""
    before = cv2.getNumThreads()
    cv2.setNumThreads(request.param)
    yield request.param
    cv2.setNumThreads(before)


@pytest.mark.parametrize("cores", [{0}, {0, 1}, set()])
def test_both_results_come_back_in_order(
    threads: int, cores: set[int], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(_threads, "_cores", lambda: (cores, cores - {0}))
    monkeypatch.setattr(_threads, "_move", lambda cores, others: None)
    names: list[str] = []

    def note(value: int) -> int:
        names.append(threading.current_thread().name)
        return value

    assert side_by_side(lambda: note(1), lambda: note(2)) == (1, 2)
    assert ("hueph-side" in names) == (threads == 2 and cores != {0})


@pytest.mark.skipif(not hasattr(os, "sched_getaffinity"), reason="cores are told apart on Linux only")
def test_the_second_is_sent_to_another_core_and_not_bound_there() -> None:
    cores, others = _threads._cores()
    assert cores == os.sched_getaffinity(0)
    assert len(others) == len(cores) - 1
    before = cv2.getNumThreads()
    cv2.setNumThreads(2)
    try:
        _, free = side_by_side(lambda: None, lambda: os.sched_getaffinity(0))
    finally:
        cv2.setNumThreads(before)
    assert free == cores


def fail(text: str) -> None:
    raise ValueError(text)


@pytest.mark.usefixtures("threads")
def test_what_fails_is_raised_here() -> None:
    with pytest.raises(ValueError, match="second"):
        side_by_side(lambda: 1, lambda: fail("second"))
    with pytest.raises(ValueError, match="first"):
        side_by_side(lambda: fail("first"), lambda: fail("second"))


@pytest.mark.skipif(not hasattr(os, "sched_setaffinity"), reason="cores are told apart on Linux only")
def test_a_system_that_lets_no_thread_move_gives_both_results(monkeypatch: pytest.MonkeyPatch) -> None:
    def forbidden(pid: int, cores: set[int]) -> None:
        raise PermissionError("not here")

    monkeypatch.setattr(os, "sched_setaffinity", forbidden)
    monkeypatch.setattr(_threads, "_cores", lambda: ({0, 1}, {1}))
    monkeypatch.setattr(cv2, "getNumThreads", lambda: 2)
    assert side_by_side(lambda: 1, lambda: 2) == (1, 2)
