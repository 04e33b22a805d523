"""Files that records name, stored as they are: photographs, recipes, charts."""

from __future__ import annotations

import hashlib
import mimetypes
import os
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from hueph._system import system_sentence
from hueph._types import PathLike
from hueph.archive.privacy import PrivateFree, path_free, private_free
from hueph.archive.records import Content
from hueph.archive.store import Archive
from hueph.chart import Chart, chart_sha256
from hueph.errors import ArchiveError

if TYPE_CHECKING:
    from hueph.expecting import ExpectRequest

__all__ = ["file_name", "keep_chart", "keep_original", "keep_recipe", "keep_recipes"]


def keep_recipes(
    archive: Archive, asked: Sequence[ExpectRequest], photo: str
) -> tuple[list[dict[str, Any]], list[Content]]:
    """Store the recipe files that say what is expected in a photograph.

    Parameters
    ----------
    archive : Archive
    asked : sequence of ExpectRequest
    photo : str
        Name of the photograph, without its folder.

    Returns
    -------
    wishes : list of dict
        Recipe (hash of its file, or the line itself), step and tubes, JSON-ready.
    recipes : list of Content

    Raises
    ------
    ArchiveError
        A file cannot be read.
    """
    wishes: list[dict[str, Any]] = []
    kept: dict[str, Content] = {}
    for one in asked:
        if one.photo and file_name(one.photo) != photo:
            continue
        is_file = os.path.exists(one.recipe)
        if is_file and one.recipe not in kept:
            kept[one.recipe] = keep_recipe(archive, one.recipe)
        wishes.append(
            {
                "recipe": kept[one.recipe].sha256 if is_file else "",
                "line": "" if is_file else one.recipe,
                "step": one.step,
                "tubes": list(one.tubes),
                "photo": file_name(one.photo) if one.photo else "",
            }
        )
    return wishes, list(kept.values())


def keep_recipe(archive: Archive, recipe: PathLike) -> Content:
    """Store a recipe or experiment file.

    Parameters
    ----------
    archive : Archive
    recipe : path

    Returns
    -------
    Content

    Raises
    ------
    ArchiveError
        The file cannot be read.
    """
    data = _bytes_to_keep(recipe)
    about: dict[str, Any] = {"role": "recipe", "name": file_name(os.fspath(recipe))}
    return archive.store(data, media_type="application/toml", **about, **_stand_in(path_free(data)))


def _bytes_to_keep(file: PathLike) -> bytes:
    """Return the bytes of a file that is to be recorded."""
    try:
        return Path(file).read_bytes()
    except OSError as error:
        raise ArchiveError(f"cannot record {os.fspath(file)}: {system_sentence(error)}") from error


def file_name(file: str) -> str:
    """Return the file's name without its folder, as text that can be written anywhere."""
    return os.path.basename(os.fsencode(file)).decode("utf-8", "replace") or "photo"


def keep_original(archive: Archive, file: str, sha256: str = "") -> Content:
    """Store an untouched file, and work out the hash of its copy without private fields.

    Parameters
    ----------
    archive : Archive
    file : str
    sha256 : str
        Hash that the file had when it was read; "" when it does not matter.

    Returns
    -------
    Content

    Raises
    ------
    ArchiveError
        The file cannot be read, or is another than it was.
    """
    name = file_name(file)
    data = _bytes_to_keep(file)
    about: dict[str, Any] = {"role": "original", "name": name, "media_type": _media_type(name)}
    content = archive.store(data, **about, **_stand_in(private_free(data)))
    if sha256 and content.sha256 != sha256:
        raise ArchiveError(
            f"cannot record {file}: the file was changed after it was read; read it again and record that"
        )
    return content


def _stand_in(clean: PrivateFree | None) -> dict[str, Any]:
    """Return what a record says about the copy of a file that an export holds instead."""
    if clean is None:
        return {"private_free": "none", "removed": ("the whole file",)}
    if not clean.removed:
        return {}
    return {"private_free": hashlib.sha256(clean.data).hexdigest(), "removed": clean.removed}


def _media_type(name: str) -> str:
    known = {".heic": "image/heic", ".heif": "image/heif", ".hif": "image/heif", ".webp": "image/webp"}
    suffix = os.path.splitext(name)[1].lower()
    return known.get(suffix) or mimetypes.guess_type(name)[0] or "application/octet-stream"


def keep_chart(archive: Archive, chart: Chart) -> Content:
    """Store the chart file as hueph writes it."""
    from hueph._chart_file import dump_chart

    text = dump_chart(replace(chart, sha256=chart_sha256(chart)))
    return archive.store(text.encode("utf-8"), role="chart", name="chart.toml", media_type="application/toml")
