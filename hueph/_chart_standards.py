"""The part of a chart file that holds standards: tubes of known pH photographed beside the chart."""

from __future__ import annotations

import itertools
from typing import Any

from hueph._chart_lines import Lines
from hueph.chart import Patch, Standard, StandardPhoto

__all__ = ["PHOTO_KEYS", "STANDARD_KEYS", "canonical_standards", "parse_standards"]

PHOTO_KEYS = ("file", "sha256", "to_linear_srgb", "paper_level", "patch_ph", "patches")
STANDARD_KEYS = (
    "photo", "tube", "at", "ph", "ph_std", "liquid", "backing", "glass", "noise", "dark", "bright",
    "neighbours",
)  # fmt: skip

_PHOTO, _STANDARD = "standard_photo", "standard"
_MIN_PATCHES = 3
# Decimals written: finer than eight bits of any channel and than any label.
_LIGHT_DECIMALS, _MATRIX_DECIMALS, _PH_DECIMALS, _PLACE_DECIMALS = 5, 6, 4, 1
# Light over backing or paper; a reflection or a lamp in the picture exceeds 1, nothing sound this.
_MOST_LIGHT = 4.0
# Absorbance per channel; 8 bits cannot show more, and noise about white gives a little below 0.
_LEAST_ABSORBANCE, _MOST_ABSORBANCE = -1.0, 4.0


def parse_standards(
    data: dict[str, Any], patches: tuple[Patch, ...], lines: Lines
) -> tuple[tuple[StandardPhoto, ...], tuple[Standard, ...]]:
    """Return the photographs and the standards of a chart file.

    Raises
    ------
    ChartError
        A rule is broken; the text names file and line.
    """
    photos = tuple(_photo(entry, patches, lines, index) for index, entry in enumerate(data.get(_PHOTO, [])))
    standards = tuple(
        _standard(entry, len(photos), lines, index) for index, entry in enumerate(data.get(_STANDARD, []))
    )
    return photos, standards


def _photo(entry: dict[str, Any], patches: tuple[Patch, ...], lines: Lines, index: int) -> StandardPhoto:
    """Check one photograph."""
    known = {round(patch.ph, _PH_DECIMALS) for patch in patches}
    ph = _list_of_numbers(entry, "patch_ph", lines, index)
    if len(ph) < _MIN_PATCHES or any(b <= a for a, b in itertools.pairwise(ph)):
        lines.fail(
            f"`patch_ph` of {_PHOTO} {index + 1} must be at least {_MIN_PATCHES} rising values, got {ph}",
            "patch_ph", _PHOTO, index,
        )  # fmt: skip
    if strange := [value for value in ph if round(value, _PH_DECIMALS) not in known]:
        lines.fail(
            f"`patch_ph` of {_PHOTO} {index + 1} must hold pH values of the chart's patches, found {strange[0]:g}; "
            "calibrate with standards again after changing the patches",
            "patch_ph", _PHOTO, index,
        )  # fmt: skip
    rows = entry.get("patches")
    if not isinstance(rows, list) or len(rows) != len(ph):
        count = len(rows) if isinstance(rows, list) else "none"
        lines.fail(
            f"`patches` of {_PHOTO} {index + 1} must hold one colour for each of the {len(ph)} values "
            f"of `patch_ph`, found {count}",
            "patches", _PHOTO, index,
        )  # fmt: skip
    return StandardPhoto(
        file=_text(entry, "file", lines, index),
        sha256=_text(entry, "sha256", lines, index),
        to_linear_srgb=_matrix(entry, lines, index),
        paper_level=_at_least(entry, "paper_level", 0.0, lines, _PHOTO, index),
        patch_ph=ph,
        patches=tuple(_light({"patches": row}, "patches", lines, _PHOTO, index) for row in rows),
    )


def _standard(entry: dict[str, Any], photos: int, lines: Lines, index: int) -> Standard:
    """Check one standard."""
    photo, tube = (_whole(entry, key, lines, index) for key in ("photo", "tube"))
    if photo > photos:
        lines.fail(
            f"`photo` of standard {index + 1} must be the number of a [[{_PHOTO}]], 1 to {photos}, got {photo}",
            "photo", _STANDARD, index,
        )  # fmt: skip
    at = lines.numbers(entry, "at", 2, _STANDARD, index)
    ph = lines.number(entry, "ph", _STANDARD, index)
    if not -2 <= ph <= 16:
        lines.fail(f"`ph` must lie between -2 and 16, got {ph:g}", "ph", _STANDARD, index)
    return Standard(
        photo=photo,
        tube=tube,
        at=(at[0], at[1]),
        ph=ph,
        ph_std=_at_least(entry, "ph_std", 0.0, lines, _STANDARD, index),
        liquid=_light(entry, "liquid", lines, _STANDARD, index),
        backing=_light(entry, "backing", lines, _STANDARD, index),
        glass=_light(entry, "glass", lines, _STANDARD, index) if "glass" in entry else None,
        noise=_at_least(entry, "noise", 0.0, lines, _STANDARD, index),
        dark=_light(entry, "dark", lines, _STANDARD, index),
        bright=_light(entry, "bright", lines, _STANDARD, index),
        neighbours=_absorbance(entry, lines, index),
    )


def _text(entry: dict[str, Any], key: str, lines: Lines, index: int) -> str:
    value = entry.get(key, "")
    if not isinstance(value, str):
        lines.fail(
            f"`{key}` of {_PHOTO} {index + 1} must be text in quotes, got {value!r}", key, _PHOTO, index
        )
    return value


def _matrix(entry: dict[str, Any], lines: Lines, index: int) -> tuple[float, ...]:
    values = _list_of_numbers(entry, "to_linear_srgb", lines, index)
    if len(values) != 9:
        lines.fail(
            f"`to_linear_srgb` of {_PHOTO} {index + 1} must be 9 numbers, row by row, got {len(values)}",
            "to_linear_srgb", _PHOTO, index,
        )  # fmt: skip
    return values


def _list_of_numbers(entry: dict[str, Any], key: str, lines: Lines, index: int) -> tuple[float, ...]:
    value = entry.get(key)
    if not isinstance(value, list) or not value:
        lines.fail(f"`{key}` of {_PHOTO} {index + 1} must be numbers in brackets", key, _PHOTO, index)
    return lines.numbers(entry, key, len(value), _PHOTO, index)


def _light(
    entry: dict[str, Any], key: str, lines: Lines, table: str, index: int
) -> tuple[float, float, float]:
    red, green, blue = lines.numbers(entry, key, 3, table, index)
    if min(red, green, blue) < 0 or max(red, green, blue) > _MOST_LIGHT:
        lines.fail(
            f"`{key}` of {table} {index + 1} must be three shares of light from 0 to {_MOST_LIGHT:g}, "
            f"got {[red, green, blue]}",
            key, table, index,
        )  # fmt: skip
    return red, green, blue


def _absorbance(entry: dict[str, Any], lines: Lines, index: int) -> tuple[float, float, float]:
    """Check the neighbours, which older files do not name."""
    if "neighbours" not in entry:
        return 0.0, 0.0, 0.0
    red, green, blue = lines.numbers(entry, "neighbours", 3, _STANDARD, index)
    if min(red, green, blue) < _LEAST_ABSORBANCE or max(red, green, blue) > _MOST_ABSORBANCE:
        lines.fail(
            f"`neighbours` of {_STANDARD} {index + 1} must be three absorbances from {_LEAST_ABSORBANCE:g} "
            f"to {_MOST_ABSORBANCE:g}, got {[red, green, blue]}",
            "neighbours", _STANDARD, index,
        )  # fmt: skip
    return red, green, blue


def _at_least(entry: dict[str, Any], key: str, least: float, lines: Lines, table: str, index: int) -> float:
    value = lines.number(entry, key, table, index)
    if value < least:
        lines.fail(
            f"`{key}` of {table} {index + 1} must be {least:g} or more, got {value:g}", key, table, index
        )
    return value


def _whole(entry: dict[str, Any], key: str, lines: Lines, index: int) -> int:
    value = lines.number(entry, key, _STANDARD, index)
    if value != int(value) or value < 1:
        lines.fail(
            f"`{key}` of standard {index + 1} must be a whole number from 1, got {value:g}",
            key, _STANDARD, index,
        )  # fmt: skip
    return int(value)


def canonical_standards(
    photos: tuple[StandardPhoto, ...], standards: tuple[Standard, ...]
) -> dict[str, list[dict[str, Any]]]:
    """Return what a chart file holds of standards, with the written decimals; {} without any."""
    if not standards:
        return {}
    return {
        _PHOTO: [
            {
                "file": photo.file,
                "sha256": photo.sha256,
                "to_linear_srgb": _rounded(photo.to_linear_srgb, _MATRIX_DECIMALS),
                "paper_level": round(float(photo.paper_level), _LIGHT_DECIMALS),
                "patch_ph": _rounded(photo.patch_ph, _PH_DECIMALS),
                "patches": [_rounded(colour, _LIGHT_DECIMALS) for colour in photo.patches],
            }
            for photo in photos
        ],
        _STANDARD: [_canonical_standard(standard) for standard in standards],
    }


def _canonical_standard(standard: Standard) -> dict[str, Any]:
    """Return one standard as it is written."""
    entry: dict[str, Any] = {
        "photo": standard.photo,
        "tube": standard.tube,
        "at": _rounded(standard.at, _PLACE_DECIMALS),
        "ph": round(float(standard.ph), _PH_DECIMALS),
        "ph_std": round(float(standard.ph_std), _PH_DECIMALS),
    }
    for key in ("liquid", "backing", "glass", "dark", "bright", "neighbours"):
        colour = getattr(standard, key)
        if colour is not None:
            entry[key] = _rounded(colour, _LIGHT_DECIMALS)
    entry["noise"] = round(float(standard.noise), _LIGHT_DECIMALS)
    return entry


def _rounded(values: tuple[float, ...], decimals: int) -> list[float]:
    """Round, with -0.0 turned into 0.0."""
    return [round(float(value), decimals) + 0.0 for value in values]
