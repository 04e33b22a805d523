"""Two things side by side give what they give one after the other, also when they fail."""

from __future__ import annotations

import threading
from collections.abc import Iterator

import cv2
import pytest

from hueph._threads import side_by_side


@pytest.fixture(params=[1, 2])
def threads(request: pytest.FixtureRequest) -> Iterator[int]:
    """Hold OpenCV to so many threads."""
    before = cv2.getNumThreads()
    cv2.setNumThreads(request.param)
    yield request.param
    cv2.setNumThreads(before)


def test_both_results_come_back_in_order(threads: int) -> None:
    names: list[str] = []

    def note(value: int) -> int:
        names.append(threading.current_thread().name)
        return value

    assert side_by_side(lambda: note(1), lambda: note(2)) == (1, 2)
    assert ("hueph-side" in names) == (threads == 2)


def fail(text: str) -> None:
    raise ValueError(text)


@pytest.mark.usefixtures("threads")
def test_what_fails_is_raised_here() -> None:
    with pytest.raises(ValueError, match="second"):
        side_by_side(lambda: 1, lambda: fail("second"))
    with pytest.raises(ValueError, match="first"):
        side_by_side(lambda: fail("first"), lambda: fail("second"))
