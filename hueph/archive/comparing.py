"""Record a comparison together with the photographs it compares."""

from __future__ import annotations

import os
from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, Any

from hueph._types import PathLike
from hueph.archive.keeping import add_comparison, add_reading
from hueph.archive.kept_files import keep_original, keep_recipe
from hueph.archive.records import Content, Labels, Record
from hueph.archive.store import Archive

if TYPE_CHECKING:
    from hueph.chart import Chart
    from hueph.expecting import ExpectRequest
    from hueph.results import PhotoReadings

__all__ = ["record_comparison"]


def record_comparison(
    archive: Archive,
    photos: Sequence[PhotoReadings],
    charts: Mapping[str, Chart],
    payload: dict[str, Any],
    *,
    labels: Labels | None = None,
    names: Mapping[str, Sequence[str]] | None = None,
    recipes: Sequence[PathLike] = (),
    figure: bytes = b"",
    asked: Sequence[ExpectRequest] = (),
    options: dict[str, Any] | None = None,
) -> Record:
    """Record each photograph as a reading, and the comparison as a record that points to them.

    Parameters
    ----------
    archive : Archive
    photos : sequence of PhotoReadings
        As they were compared; their files must still be there, unchanged.
    charts : mapping of str to Chart
        By hash. A photograph whose chart is not among them (colours alone were compared) is kept as a file
        of the comparison.
    payload : dict
        What the comparison found, JSON-ready: "pairs" and more.
    labels : Labels, optional
    names : mapping of str to sequence of str, optional
        Names of the tubes of photographs, left to right, by hash; a reading keeps them where `labels` names no sample.
    recipes : sequence of path
        Experiment and recipe files.
    figure : bytes
        Picture of the comparison, JPEG or PNG.
    asked : sequence of ExpectRequest
        What was expected in which tube, when the photographs were compared with that too.
    options : dict, optional
        How it was compared, so that `verify` can do it again: "experiment" (bool), "coverage" (float, None
        for what the file says), and without an experiment file "pairs", "labels", "hold", "expected".

    Returns
    -------
    Record
        Of the comparison.

    Raises
    ------
    ArchiveError
        A file was changed or removed after it was read, or the archive cannot be written.
    """
    from hueph.photo import load_photo

    readings: list[Record] = []
    contents: list[Content] = []
    for one in photos:
        chart = charts.get(one.chart_sha256)
        if chart is None:
            contents.append(keep_original(archive, one.file, one.sha256))
        else:
            photo = load_photo(one.file)
            about = _named(labels or Labels(), (names or {}).get(one.sha256, ()))
            readings.append(add_reading(archive, photo, one, chart, labels=about, asked=asked))
    contents += [keep_recipe(archive, recipe) for recipe in recipes]
    if options is not None:
        payload = payload | {"options": options}
    return add_comparison(
        archive,
        _without_folders(payload, [one.file for one in photos]),
        readings,
        labels=labels,
        figure=figure,
        contents=contents,
    )


def _named(labels: Labels, names: Sequence[str]) -> Labels:
    """Return labels that name the tubes of a photograph, unless they name a sample already."""
    return labels if labels.sample or not names else replace(labels, sample=", ".join(names))


def _without_folders(value: Any, files: Sequence[str]) -> Any:
    """Return JSON values in which every path of a photograph is only its name: folders name people."""
    if isinstance(value, dict):
        return {key: _without_folders(inner, files) for key, inner in value.items()}
    if isinstance(value, list):
        return [_without_folders(inner, files) for inner in value]
    if isinstance(value, str):
        for file in sorted(set(files), key=len, reverse=True):
            value = value.replace(file, os.path.basename(file))
    return value
