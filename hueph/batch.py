"""Read many photographs: in order, in worker processes, one bad file stopping nothing."""

from __future__ import annotations

import glob
import hashlib
import itertools
import logging
import os
import time
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Protocol

from hueph._checks import check_listed
from hueph._system import system_sentence
from hueph._types import PathLike
from hueph.errors import HuephError, InputError

if TYPE_CHECKING:
    from hueph._expecting_tubes import ExpectedTube
    from hueph.chart import Chart
    from hueph.photo import Photo
    from hueph.results import PhotoReadings

__all__ = ["OVERLAY_SUFFIX", "PICTURE_SUFFIXES", "find_photos", "overlay_names", "read_photos"]

logger = logging.getLogger(__name__)

# What a folder is searched for; a file named outright is tried whatever its suffix.
PICTURE_SUFFIXES = (".jpg", ".jpeg", ".jpe", ".png", ".tif", ".tiff", ".webp", ".heic", ".heif", ".hif")
# Ends the name of every overlay, so that a folder read again does not read its own overlays.
OVERLAY_SUFFIX = "-overlay.jpg"

# Photographs between two times that freed memory is handed back; doing it costs about a millisecond.
_HAND_BACK_EVERY = 32
_count = itertools.count(1)

Box = tuple[float, float, float, float]


class Keep(Protocol):
    """What records a photograph once it is read."""

    def __call__(
        self,
        photo: Photo,
        readings: PhotoReadings,
        chart: Chart,
        *,
        tubes: Sequence[Box] | None,
        strip: Sequence[float] | None,
    ) -> None:
        """Record it, or raise a `HuephError`."""


@dataclass(frozen=True, slots=True)
class _Task:
    """One photograph to read, with everything a worker process needs."""

    path: str
    chart: Chart
    coverage: float
    tubes: tuple[Box, ...] | None
    strip: tuple[float, ...] | None
    overlay: str | None
    keep: Keep | None = None
    expected: tuple[ExpectedTube, ...] = ()
    budget: bool = False


def find_photos(names: Sequence[PathLike]) -> list[str]:
    """Turn files, folders and patterns into a list of files, in the order given.

    Parameters
    ----------
    names : sequence of path
        A folder stands for the pictures in it (not in its sub-folders), by name; a pattern
        (``*.jpg``) that names no file itself stands for the files that match. Overlays that hueph
        drew are left out of both. A name that stands for nothing is kept as it is: reading it says
        why it cannot be read.

    Returns
    -------
    list of str

    Raises
    ------
    InputError
        One name in place of a sequence.
    """
    check_listed(names, "names")
    found: list[str] = []
    for name in names:
        text = os.fspath(name)
        matches: list[str] = []
        # os.path, not pathlib: its answers to names that are empty or too long are False, not errors.
        if os.path.isdir(text):
            matches = [file for file in _files_in(text) if file.lower().endswith(PICTURE_SUFFIXES)]
        elif not os.path.exists(text):
            matches = glob.glob(text)
        matches = sorted(file for file in matches if not file.endswith(OVERLAY_SUFFIX))
        found += matches or [text]
    return found


def _files_in(folder: str) -> list[str]:
    """Return the files of a folder that are not hidden; none when it may not be listed."""
    try:
        names = os.listdir(folder)
    except OSError:
        return []
    files = [os.path.join(folder, name) for name in names if not name.startswith(".")]
    return [file for file in files if os.path.isfile(file)]


def overlay_names(paths: Sequence[str], folder: PathLike) -> list[str]:
    """Return a name for each photograph's overlay, no two alike.

    Parameters
    ----------
    paths : sequence of str
    folder : path
        Where the overlays go.

    Returns
    -------
    list of str
        ``folder/stem-overlay.jpg``; photographs of one stem get ``stem-2``, ``stem-3`` and so on.
    """
    taken: set[str] = set()
    names: list[str] = []
    for path in paths:
        stem = Path(path).stem or "photo"
        candidate, number = stem, 1
        # Lower case, because some file systems hold A.jpg and a.jpg to be the same file.
        while candidate.lower() in taken:
            number += 1
            candidate = f"{stem}-{number}"
        taken.add(candidate.lower())
        names.append(str(Path(folder) / f"{candidate}{OVERLAY_SUFFIX}"))
    return names


def read_photos(
    paths: Sequence[PathLike],
    chart: Chart | PathLike,
    *,
    coverage: float = 0.95,
    tubes: Sequence[Box] | None = None,
    strip: Sequence[float] | None = None,
    overlay_dir: PathLike | None = None,
    keep: Keep | None = None,
    expected: Sequence[ExpectedTube] = (),
    budget: bool = False,
    jobs: int = 1,
    scheduler: str | None = None,
) -> Iterator[PhotoReadings]:
    """Read photographs one after the other, in order, whatever is wrong with some of them.

    Parameters
    ----------
    paths : sequence of path
        Photographs of the same chart.
    chart : Chart or path
        A path may also be the name of a shipped chart.
    coverage : float
        Probability that a stated range holds the true pH.
    tubes : sequence of (x, y, width, height), optional
        Tubes outlined by hand, pixels of the upright picture; the same for every photograph.
    strip : sequence of 8 numbers, optional
        x, y of the four corners around all patches, outlined by hand; the same for every photograph.
    overlay_dir : path, optional
        Folder (made when missing) that gets an annotated copy of every photograph.
    keep : callable, optional
        Called with each photograph that could be read, to record it (`hueph.archive.keeping.Keeper`); with
        `jobs` above 1 in the worker processes, so it must be picklable.
    expected : sequence of ExpectedTube
        What the tubes should read (`hueph.expect_tubes`); each reading then says whether it does.
    budget : bool
        Also work out where each reading's uncertainty comes from (`Reading.budget`; slower).
    jobs : int
        Worker processes; 1 works in this process. With more, a script must keep its top level behind
        ``if __name__ == "__main__":``, as the worker processes import it.
    scheduler : str, optional
        Address of a Dask scheduler, ``tcp://host:port``, whose workers read in the place of `jobs`. They
        need the same version of hueph, and the photographs (and `overlay_dir`) under the same path.

    Yields
    ------
    PhotoReadings
        One a photograph, in the order given. One that cannot be used has `error` set and no tubes.

    Raises
    ------
    InputError
        One path in place of a sequence, `jobs` below 1, `overlay_dir` cannot be made, the cluster cannot be
        used, or `scheduler` together with `keep`: an archive is kept by the machine it lies on.
    ChartError
        The chart cannot be used.
    MissingDependency
        A `scheduler` is given, but the package distributed is not installed.
    """
    check_listed(paths, "paths")
    if jobs < 1:
        raise InputError(f"jobs must be 1 or more, got {jobs}")
    if scheduler is not None and keep is not None:
        raise InputError(
            "recording in an archive happens where the photographs are read, with a scheduler that is on other "
            "machines: read without the scheduler, or leave the archive out (--archive, HUEPH_ARCHIVE)"
        )
    names = [os.fspath(path) for path in paths]
    known_chart = _as_chart(chart)
    overlays: Sequence[str | None] = [None] * len(names)
    if overlay_dir is not None:
        _make_folder(overlay_dir)
        overlays = overlay_names(names, overlay_dir)
    tasks = [
        _Task(
            name,
            known_chart,
            coverage,
            None if tubes is None or len(tubes) == 0 else tuple(tubes),
            None if strip is None or len(strip) == 0 else tuple(strip),
            overlay,
            keep,
            tuple(expected),
            budget,
        )
        for name, overlay in zip(names, overlays, strict=True)
    ]
    if scheduler is not None:
        return _read_on_cluster(tasks, scheduler)
    from hueph._workers import map_ordered

    return map_ordered(_read_one, tasks, jobs=min(jobs, max(len(tasks), 1)), crashed=_crashed)


def _read_on_cluster(tasks: Sequence[_Task], scheduler: str) -> Iterator[PhotoReadings]:
    """Read on the workers of a scheduler, which may run in other folders; results bear the names given."""
    from hueph._cluster import map_on_cluster

    absolute = [
        replace(
            task,
            path=os.path.abspath(task.path),
            overlay=None if task.overlay is None else os.path.abspath(task.overlay),
        )
        for task in tasks
    ]
    results = map_on_cluster(_read_one, absolute, scheduler=scheduler, crashed=_crashed)
    return (replace(result, file=task.path) for task, result in zip(tasks, results, strict=True))


def _as_chart(chart: Chart | PathLike) -> Chart:
    """Load a chart given by path or by name."""
    if isinstance(chart, str | os.PathLike):
        from hueph.chart import load_chart
        from hueph.shipped import find_chart

        return load_chart(find_chart(chart))
    return chart


def _make_folder(folder: PathLike) -> None:
    """Make the folder of the overlays, before an hour is spent on reading."""
    try:
        Path(folder).mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise InputError(
            f"cannot make the folder {os.fspath(folder)} for the overlays: {system_sentence(error)}"
        ) from error


def _read_one(task: _Task) -> PhotoReadings:
    """Read one photograph; memory stays flat however many there are."""
    readings = _read_whatever_is_wrong(task)
    if next(_count) % _HAND_BACK_EVERY == 0:
        from hueph._memory import hand_back

        hand_back()
    return readings


def _read_whatever_is_wrong(task: _Task) -> PhotoReadings:
    """Read one photograph; whatever goes wrong becomes its `error`."""
    from hueph.photo import load_photo
    from hueph.reading import read_photo

    start = time.perf_counter()
    try:
        if os.path.isdir(task.path):
            raise InputError(
                f"found no photograph in the folder {task.path}: "
                f"looked for names ending in {', '.join(PICTURE_SUFFIXES)}; name the files instead"
            )
        is_needed = task.overlay is not None or task.keep is not None
        photo = load_photo(task.path) if is_needed else task.path
        readings = read_photo(
            photo,
            task.chart,
            coverage=task.coverage,
            tubes=task.tubes,
            strip=task.strip,
            budget=task.budget,
        )
        if task.expected:
            from hueph.expecting import attach_expected

            readings = attach_expected(readings, task.expected)
        if task.overlay is not None and not isinstance(photo, str):
            readings = _draw(photo, readings, task.overlay)
        if task.keep is not None and not isinstance(photo, str):
            readings = _record(photo, readings, task, task.keep)
    except HuephError as error:
        return _failed(task, type(error).__name__, str(error))
    except Exception as error:  # one photograph must not stop the others
        logger.debug("reading %s failed", task.path, exc_info=True)
        detail = f"{type(error).__name__}: {error}" if str(error) else type(error).__name__
        return _failed(
            task,
            type(error).__name__,
            f"reading {task.path} failed unexpectedly ({detail}); please report it together with the "
            "output of the same command with -v",
        )
    logger.info("read %s in %.2f s", task.path, time.perf_counter() - start)
    return readings


def _draw(photo: Photo, readings: PhotoReadings, overlay: str) -> PhotoReadings:
    """Write the overlay of one photograph; when that fails, the readings stay and carry the error."""
    from hueph.overlay import write_overlay

    try:
        write_overlay(photo, readings, overlay)
    except HuephError as error:
        return replace(readings, error=(type(error).__name__, str(error)))
    return readings


def _record(photo: Photo, readings: PhotoReadings, task: _Task, keep: Keep) -> PhotoReadings:
    """Record one photograph; when that fails, the readings stay and carry the error."""
    try:
        keep(photo, readings, task.chart, tubes=task.tubes, strip=task.strip)
    except HuephError as error:
        return replace(readings, error=(type(error).__name__, str(error)))
    return readings


def _crashed(task: _Task) -> PhotoReadings:
    """Make the result of a photograph whose worker process died."""
    return _failed(
        task,
        "WorkerCrash",
        f"reading {task.path} ended its worker process (out of memory, or a crash in a decoder); "
        "read it alone, smaller, or saved anew as JPEG",
    )


def _failed(task: _Task, kind: str, message: str) -> PhotoReadings:
    """Return the readings of a photograph that cannot be used."""
    from hueph import __version__
    from hueph.results import PhotoReadings

    return PhotoReadings(
        file=task.path,
        sha256=_sha256_if_readable(task.path),
        width=0,
        height=0,
        chart_name=task.chart.name,
        chart_sha256=task.chart.sha256,
        error=(kind, message),
        options={"coverage": task.coverage},
        version=__version__,
    )


def _sha256_if_readable(path: str) -> str:
    """Hash the bytes of a file, "" when there are none to be had."""
    if not os.path.isfile(path):  # a pipe would make it wait, and some devices never end
        return ""
    try:
        with open(path, "rb") as stream:
            return hashlib.file_digest(stream, "sha256").hexdigest()
    except OSError:
        return ""
