"""Run one function over many items on a cluster of Dask workers: in order, memory flat, crashes survived."""

from __future__ import annotations

import contextlib
import logging
import re
import socket
from collections import deque
from collections.abc import Callable, Iterable, Iterator
from typing import Any, TypeVar

from hueph._optional import require
from hueph._workers import AHEAD
from hueph.errors import InputError

__all__ = ["map_on_cluster"]

Item = TypeVar("Item")
Result = TypeVar("Result")

# Seconds to wait for the scheduler to answer, and for a first worker to be there.
CONNECT_SECONDS, WORKER_SECONDS = 5, 5
_ADDRESS = re.compile(r"((tcp|tls)://)?\[?(?P<host>[^/\[\]]+)\]?:(?P<port>[0-9]{1,5})")


def map_on_cluster(
    function: Callable[[Item], Result],
    items: Iterable[Item],
    *,
    scheduler: str,
    crashed: Callable[[Item], Result],
) -> Iterator[Result]:
    """Yield `function(item)` for each item, in order, worked out by the workers of a scheduler.

    The counterpart of `hueph._workers.map_ordered`, with the same function: an item that kills the
    worker processes it is given to gets `crashed(item)`.

    Parameters
    ----------
    function : callable
        Importable by name on the workers.
    items : iterable
        Consumed lazily.
    scheduler : str
        Address of a running Dask scheduler, ``tcp://host:port``.
    crashed : callable
        Makes the result of an item whose workers died; runs in this process.

    Raises
    ------
    MissingDependency
        The package distributed is not installed.
    InputError
        Nothing answers at the address, it has no workers, or they have another version of hueph.
    """
    distributed = require("distributed", purpose="reading on a cluster", extra="cluster")
    client = _connect(distributed, scheduler)
    try:
        _check_workers(client, scheduler)
    except BaseException:
        client.close()
        raise
    return _results(distributed, client, function, iter(items), scheduler, crashed)


def _connect(distributed: Any, scheduler: str) -> Any:
    """Return a client of the scheduler."""
    nobody = InputError(
        f"reading on the cluster at {scheduler}: a Dask scheduler must answer there, like tcp://host:8786, but "
        f"none did within {CONNECT_SECONDS} s; start one with: dask scheduler, or check the address"
    )
    # Asked with a plain connection first: a client that fails at once leaves complaints of its own behind.
    parts = _ADDRESS.fullmatch(scheduler)
    if parts is None:
        raise nobody
    try:
        socket.create_connection((parts["host"], int(parts["port"])), timeout=CONNECT_SECONDS).close()
    except (OSError, OverflowError) as error:
        raise nobody from error
    with _quiet():
        try:
            return distributed.Client(scheduler, timeout=CONNECT_SECONDS, set_as_default=False)
        except (OSError, ValueError, ImportError, RuntimeError, AssertionError) as error:
            raise nobody from error


@contextlib.contextmanager
def _quiet() -> Iterator[None]:
    """Keep the library's own complaints from standing beside our one sentence."""
    logger = logging.getLogger("distributed")
    level = logger.level
    logger.setLevel(logging.CRITICAL)
    try:
        yield
    finally:
        logger.setLevel(level)


def _check_workers(client: Any, scheduler: str) -> None:
    """Refuse a cluster without workers, or whose workers cannot do the same as this process."""
    from hueph import __version__

    what = f"reading on the cluster at {scheduler}"
    with _quiet():
        try:
            client.wait_for_workers(1, timeout=WORKER_SECONDS)
        except TimeoutError as error:
            raise InputError(
                f"{what}: at least one worker must be connected, found none within {WORKER_SECONDS} s; start "
                f"one with: dask worker {scheduler}"
            ) from error
        answers = client.run(_worker_version, on_error="return")
    others = sorted({str(answer) for answer in answers.values() if answer != __version__})
    if others:
        raise InputError(
            f"{what}: every worker must have hueph {__version__} installed, found: {'; '.join(others)}; "
            "install the same version there"
        )


def _worker_version() -> str:
    """Return the version of hueph; runs on the workers."""
    from hueph import __version__

    return __version__


def _results(
    distributed: Any,
    client: Any,
    function: Callable[[Item], Result],
    source: Iterator[Item],
    scheduler: str,
    crashed: Callable[[Item], Result],
) -> Iterator[Result]:
    """Keep every worker busy and yield results in order."""
    in_flight: deque[tuple[Item, Any]] = deque()
    most = AHEAD * max(sum(client.ncores().values()), 1)
    try:
        while True:
            while len(in_flight) < most:
                try:
                    item = next(source)
                except StopIteration:
                    break
                in_flight.append((item, client.submit(function, item, pure=False, retries=0)))
            if not in_flight:
                return
            item, future = in_flight.popleft()
            try:
                result = future.result()
            except distributed.scheduler.KilledWorker:
                result = crashed(item)
            except (OSError, distributed.CancelledError) as error:
                raise InputError(
                    f"reading on the cluster at {scheduler}: the scheduler must stay up until the last "
                    "photograph is read, but the connection was lost; start it again and repeat the command"
                ) from error
            # Let go of the result on the worker before the next one is waited for.
            future.release()
            yield result
    finally:
        for _, future in in_flight:
            future.cancel()
        client.close()
