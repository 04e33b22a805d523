"""Order, crashes and errors of worker processes."""

from __future__ import annotations

import os
import time

import pytest

from hueph._workers import map_ordered


def double(number: int) -> int:
    """Take longer the smaller the number, so that results arrive out of order."""
    time.sleep(0.02 * (3 - number % 4))
    return 2 * number


def die_at_three(number: int) -> int:
    if number == 3:
        os._exit(9)
    return 2 * number


def fail_at_two(number: int) -> int:
    if number == 2:
        raise ValueError("two")
    return number


def gone(number: int) -> int:
    return -number


@pytest.mark.parametrize("jobs", [1, 3])
def test_results_keep_the_order_of_the_items(jobs: int) -> None:
    assert list(map_ordered(double, range(8), jobs=jobs, crashed=gone)) == [2 * n for n in range(8)]


def test_a_dying_worker_costs_its_own_item_and_no_other() -> None:
    assert list(map_ordered(die_at_three, range(9), jobs=2, crashed=gone)) == [0, 2, 4, -3, 8, 10, 12, 14, 16]


def test_an_error_of_the_function_reaches_the_caller() -> None:
    with pytest.raises(ValueError, match="two"):
        list(map_ordered(fail_at_two, range(5), jobs=2, crashed=gone))


def test_items_are_taken_as_needed_not_all_at_once() -> None:
    taken = []

    def items() -> object:
        for number in range(1000):
            taken.append(number)
            yield number

    results = map_ordered(double, items(), jobs=2, crashed=gone)  # type: ignore[arg-type]
    next(results)
    results.close()  # type: ignore[attr-defined]
    assert len(taken) <= 5
