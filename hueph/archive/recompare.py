"""Make a recorded comparison again from the stored originals and say what differs."""

from __future__ import annotations

import contextlib
import math
import re
from collections.abc import Iterator, Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from hueph.archive.recompute import shown
from hueph.archive.records import Content, Record
from hueph.archive.store import Archive
from hueph.errors import ArchiveError, HuephError

if TYPE_CHECKING:
    from hueph.chart import Chart
    from hueph.results import PhotoReadings

__all__ = ["recompare"]

# Other processors round differently, and a capacity is a quotient of small differences.
_ABSOLUTE, _RELATIVE = 0.01, 0.02
_DIGITS = re.compile(r"[\d.]+")
# Positions in the picture: the readings' own records hold and check them more finely.
_PIXELS = 0.5


def recompare(archive: Archive, record: Record) -> list[str]:
    """Make a comparison again and compare it with what was recorded.

    Parameters
    ----------
    archive : Archive
    record : Record
        Of kind "comparison", with the options it was made with (`hueph.archive.comparing`).

    Returns
    -------
    list of str
        What differs, a sentence each; empty when all agrees.

    Raises
    ------
    ArchiveError
        A photograph, chart or recipe is not there.
    """
    with contextlib.ExitStack() as lent:
        again = _again(archive, record, lent)
    kept = {key: value for key, value in record.payload.items() if key != "options"}
    return list(_differences("", kept, again))


def _again(archive: Archive, record: Record, lent: contextlib.ExitStack) -> dict[str, Any]:
    """Compare the stored photographs as they were compared."""
    options = record.payload["options"]
    try:
        if options["experiment"]:
            return _experiment(archive, record, options, lent)
        return _photos(archive, record, options, lent)
    except ArchiveError:
        raise
    except HuephError as error:
        return {"pairs": f"cannot be compared again: {type(error).__name__}"}


def _lend(archive: Archive, item: Content, lent: contextlib.ExitStack) -> str:
    """Return the path of a stored file, or of the copy without private fields that stands in for it."""
    name = item.sha256 if archive.contents.has(item.sha256) else item.private_free or item.sha256
    return str(lent.enter_context(archive.contents.path(name)))


def _used(archive: Archive, record: Record) -> Iterator[tuple[Content, Content]]:
    """Yield original and chart of each reading that a comparison used, in order."""
    for link in record.links:
        reading = archive.record(link.number)
        originals, charts = reading.of_role("original"), reading.of_role("chart")
        if not originals or not charts:
            raise ArchiveError(f"record {link.number}, which it uses, was left out of the export")
        yield originals[0], charts[0]


def _photos(
    archive: Archive, record: Record, options: dict[str, Any], lent: contextlib.ExitStack
) -> dict[str, Any]:
    """Compare photographs again."""
    from hueph.chart import load_chart
    from hueph.comparing.photos import compare_photos
    from hueph.photo import load_photo

    used = list(_used(archive, record))
    originals = [original for original, _ in used] or list(record.of_role("original"))
    chart = load_chart(_lend(archive, used[0][1], lent)) if used else None
    # Under their own names, which stand in labels and sentences.
    photos = [replace(load_photo(_lend(archive, item, lent)), file=item.name) for item in originals]
    return compare_photos(
        photos,
        chart,
        pairs=[(int(before), int(after)) for before, after in options["pairs"]],
        labels=options["labels"],
        coverage=options["coverage"],
        hold_ph=options["hold"],
        expected_delta=options["expected"],
    ).to_dict()


def _experiment(
    archive: Archive, record: Record, options: dict[str, Any], lent: contextlib.ExitStack
) -> dict[str, Any]:
    """Run an experiment file again; every path in it gives way to a stored file."""
    from hueph.comparing.experiment import load_experiment
    from hueph.comparing.running import run_experiment
    from hueph.reading import read_photo

    files = {item.name: item for item in record.of_role("recipe")}
    plan = load_experiment(_lend(archive, record.of_role("recipe")[0], lent))
    used = {ref.photo for sample in plan.samples for ref in sample.start}
    used |= {ref.photo for sample in plan.samples for one in sample.additions for ref in one.seen}
    names: dict[str, str] = {}
    photos = dict(plan.photos)
    for name, (original, chart) in zip(
        [name for name in plan.photos if name in used], _used(archive, record), strict=True
    ):
        path = _lend(archive, original, lent)
        names[path] = original.name
        photos[name] = replace(photos[name], file=Path(path), chart=_lend(archive, chart, lent))
    recipe = plan.recipe
    if recipe is not None:
        if recipe.name not in files:
            raise ArchiveError(f"the recipe {recipe.name} is not among its files")
        recipe = Path(_lend(archive, files[recipe.name], lent))

    def read(path: str, chart: Chart, coverage: float) -> PhotoReadings:
        return replace(read_photo(path, chart, coverage=coverage), file=names[path])

    plan = replace(plan, photos=photos, recipe=recipe)
    return run_experiment(plan, coverage=options["coverage"], read=read).to_dict()


def _differences(where: str, one: Any, other: Any) -> Iterator[str]:
    """Yield what differs between two JSON values, a sentence each."""
    if isinstance(one, dict) and isinstance(other, dict):
        for key in one.keys() | other.keys():
            yield from _differences(f"{where}, {key}" if where else str(key), one.get(key), other.get(key))
    elif _is_list(one) and _is_list(other) and len(one) == len(other):
        for number, (a, b) in enumerate(zip(one, other, strict=True), start=1):
            yield from _differences(f"{where} {number}", a, b)
    elif not _alike(where, one, other):
        yield f"{where}: recorded {shown(one)}, recomputed {shown(other)}"


def _is_list(value: Any) -> bool:
    return isinstance(value, Sequence) and not isinstance(value, str)


def _alike(where: str, one: Any, other: Any) -> bool:
    """Compare numbers with a tolerance, and sentences but for their digits."""
    numbers = (int, float)
    if isinstance(one, numbers) and isinstance(other, numbers) and not isinstance(one, bool):
        absolute = _PIXELS if ", liquid" in where else _ABSOLUTE
        return math.isclose(one, other, rel_tol=_RELATIVE, abs_tol=absolute)
    if isinstance(one, str) and isinstance(other, str):
        return _DIGITS.sub("#", one) == _DIGITS.sub("#", other)
    return bool(one == other)
