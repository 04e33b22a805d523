"""Run one function over many items in worker processes: in order, memory flat, crashes survived."""

from __future__ import annotations

import logging
import multiprocessing
import os
import signal
from collections import deque
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import Future, ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from typing import TypeVar

__all__ = ["map_ordered"]

Item = TypeVar("Item")
Result = TypeVar("Result")

# Items handed out ahead of the one whose result is awaited, per worker: enough to keep all busy
# while one is slow, few enough that a crash leaves few suspects and memory stays flat.
AHEAD = 2


def map_ordered(
    function: Callable[[Item], Result],
    items: Iterable[Item],
    *,
    jobs: int,
    crashed: Callable[[Item], Result],
) -> Iterator[Result]:
    """Yield `function(item)` for each item, in order, working in `jobs` processes.

    When a worker process dies (out of memory, a crash in a library), the items in flight are each
    run again alone; the one that kills its process again gets `crashed(item)`, the rest go on.

    Parameters
    ----------
    function : callable
        Importable by name (it is sent to other processes) and free of side effects that must not
        happen twice.
    items : iterable
        Consumed lazily.
    jobs : int
        1 runs in this process.
    crashed : callable
        Makes the result of an item whose process died; runs in this process.
    """
    if jobs == 1:
        yield from map(function, items)
        return
    source = iter(items)
    in_flight: deque[tuple[Item, Future[Result]]] = deque()
    pool = _start_pool(jobs)
    try:
        while True:
            _hand_out(pool, function, source, in_flight, AHEAD * jobs)
            if not in_flight:
                return
            try:
                result = in_flight[0][1].result()
            except BrokenProcessPool:
                suspects = list(in_flight)
                in_flight.clear()
                pool.shutdown(wait=False, cancel_futures=True)
                for item, future in suspects:
                    yield _finished(future) if _is_good(future) else _run_alone(function, item, crashed)
                pool = _start_pool(jobs)
            else:
                in_flight.popleft()
                yield result
    finally:
        pool.shutdown(wait=True, cancel_futures=True)


def _hand_out(
    pool: ProcessPoolExecutor,
    function: Callable[[Item], Result],
    source: Iterator[Item],
    in_flight: deque[tuple[Item, Future[Result]]],
    most: int,
) -> None:
    """Submit items until `most` are in flight or none is left."""
    while len(in_flight) < most:
        try:
            item = next(source)
        except StopIteration:
            return
        try:
            in_flight.append((item, pool.submit(function, item)))
        except BrokenProcessPool as error:
            # The pool broke between two submissions; the item joins the suspects.
            lost: Future[Result] = Future()
            lost.set_exception(error)
            in_flight.append((item, lost))
            return


def _is_good(future: Future[Result]) -> bool:
    """Say whether a future ended with a result or with an error of the function's own."""
    return future.done() and not future.cancelled() and not isinstance(future.exception(), BrokenProcessPool)


def _finished(future: Future[Result]) -> Result:
    return future.result()


def _run_alone(function: Callable[[Item], Result], item: Item, crashed: Callable[[Item], Result]) -> Result:
    """Run one suspect in a process of its own."""
    with _start_pool(1) as pool:
        try:
            return pool.submit(function, item).result()
        except BrokenProcessPool:
            return crashed(item)


def _start_pool(jobs: int) -> ProcessPoolExecutor:
    # "spawn" because a forked child inherits the locks of image and algebra libraries' threads.
    return ProcessPoolExecutor(
        jobs,
        mp_context=multiprocessing.get_context("spawn"),
        initializer=_prepare_worker,
        initargs=(logging.getLogger("hueph").level,),
    )


def _prepare_worker(log_level: int) -> None:
    """Make a fresh worker single-threaded, quiet on Ctrl-C, and as talkative as its parent."""
    for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
        os.environ[name] = "1"
    os.environ["OPENCV_FOR_THREADS_NUM"] = "1"
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    if log_level:
        logging.basicConfig(level=logging.WARNING, format="%(name)s: %(message)s")
        logging.getLogger("hueph").setLevel(log_level)
