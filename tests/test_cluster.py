"""Reading on a Dask cluster: one worker inside this process, on the loopback address."""

from __future__ import annotations

import json
import sys
from collections.abc import Iterator
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from hueph import _cluster
from hueph._cluster import map_on_cluster
from hueph.batch import read_photos
from hueph.cli import main
from hueph.errors import InputError, MissingDependency

distributed = pytest.importorskip("distributed")
# Warnings of the cluster's own packages are not ours to mend.
pytestmark = pytest.mark.filterwarnings("ignore")

SAMPLES = Path(__file__).parents[1] / "samples"
CHART = "sample-universal-strip"
PHOTOS = [str(SAMPLES / "five-tubes.jpg"), str(SAMPLES / "no-such-photograph.jpg")]


@pytest.fixture(autouse=True)
def patient(monkeypatch: pytest.MonkeyPatch) -> None:
    """Let a busy machine take its time; tests of impatience set their own."""
    monkeypatch.setattr(_cluster, "CONNECT_SECONDS", 60)
    monkeypatch.setattr(_cluster, "WORKER_SECONDS", 60)


@pytest.fixture(scope="module")
def address() -> Iterator[str]:
    """A scheduler with one worker."""
    with distributed.LocalCluster(
        n_workers=1,
        threads_per_worker=1,
        processes=False,
        protocol="tcp",
        host="127.0.0.1",
        dashboard_address=None,
    ) as cluster:
        yield cluster.scheduler_address


def test_the_command_reads_as_it_does_without(address: str, capsys: pytest.CaptureFixture[str]) -> None:
    command = ["read", *PHOTOS, "--chart", CHART, "--json"]
    assert main(command) == 1
    alone = capsys.readouterr()
    assert main([*command, "--scheduler", address]) == 1
    together = capsys.readouterr()
    found, expected = json.loads(together.out), json.loads(alone.out)
    assert [one["photo"]["file"] for one in found] == PHOTOS
    assert found[0] == expected[0]
    assert len(found[0]["tubes"]) == 5
    assert found[1]["error"]["type"] == "PhotoError"


def square(number: int) -> int:
    """Stand for the reading of a photograph."""
    return number * number


def test_results_keep_their_order_and_items_are_taken_lazily(address: str) -> None:
    taken: list[int] = []

    def items() -> Iterator[int]:
        for number in range(20):
            taken.append(number)
            yield number

    results = map_on_cluster(square, items(), scheduler=address, crashed=square)
    assert next(results) == 0
    assert len(taken) <= 3
    assert list(results) == [number * number for number in range(1, 20)]


def die(number: int) -> int:
    """Fail as the scheduler says a task has failed that killed its workers."""
    raise distributed.scheduler.KilledWorker("task", SimpleNamespace(address="tcp://gone:1"), 3)


def test_an_item_that_kills_its_workers_does_not_stop_the_rest(address: str) -> None:
    assert list(map_on_cluster(die, [1, 2], scheduler=address, crashed=lambda number: -number)) == [-1, -2]


def test_another_version_on_the_workers_is_refused(address: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(_cluster, "_worker_version", lambda: "9.9")
    with pytest.raises(InputError, match=r"every worker must have hueph .* found: 9\.9"):
        map_on_cluster(square, [1], scheduler=address, crashed=square)


def test_no_worker_is_one_sentence(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(_cluster, "WORKER_SECONDS", 0.3)
    with (
        distributed.LocalCluster(
            n_workers=0, processes=False, protocol="tcp", host="127.0.0.1", dashboard_address=None
        ) as cluster,
        pytest.raises(InputError, match="at least one worker must be connected, found none"),
    ):
        map_on_cluster(square, [1], scheduler=cluster.scheduler_address, crashed=square)


@pytest.mark.parametrize("nowhere", ["tcp://127.0.0.1:1", "somewhere", "ftp://x:1", "tcp://127.0.0.1:99999"])
def test_nobody_there_is_one_sentence(
    nowhere: str, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(_cluster, "CONNECT_SECONDS", 0.5)
    assert main(["read", "a.jpg", "--chart", CHART, "--scheduler", nowhere]) == 1
    captured = capsys.readouterr()
    assert captured.err.startswith(
        f"error: reading on the cluster at {nowhere}: a Dask scheduler must answer"
    )
    assert captured.err.count("\n") == 1


def test_the_missing_package_is_named(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "distributed", None)
    with pytest.raises(MissingDependency, match=r"pip install 'hueph\[cluster\]'"):
        map_on_cluster(square, [1], scheduler="tcp://127.0.0.1:1", crashed=square)


def test_what_excludes_a_scheduler(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["read", "a.jpg", "--chart", CHART, "--scheduler", "tcp://x:1", "--jobs", "2"]) == 2
    assert "exclude each other" in capsys.readouterr().err

    def keep(*_: Any, **__: Any) -> None:
        raise AssertionError

    with pytest.raises(InputError, match="leave the archive out"):
        read_photos(["a.jpg"], CHART, keep=keep, scheduler="tcp://x:1")
