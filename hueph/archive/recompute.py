"""Read a recorded photograph again from its stored original and say what differs."""

from __future__ import annotations

import contextlib
import math
import os
from dataclasses import replace
from typing import TYPE_CHECKING, Any

from hueph.archive.chain import canonical_json
from hueph.archive.densities import pack_posterior
from hueph.archive.program import same_program
from hueph.archive.records import Record
from hueph.archive.store import Archive
from hueph.errors import ArchiveError, HuephError

if TYPE_CHECKING:
    from hueph.results import PhotoReadings

__all__ = ["differences", "recompute", "shown"]

# Printed digits are compared with one unit of their last place: other processors round differently.
_TOLERANCES = {
    "ph": 0.002, "range": 0.002, "ph_std": 0.002, "lab": 0.02, "delta_e": 0.02, "liquid": 0.2, "core": 0.2,
    "corners": 0.2, "residual_delta_e": 0.02,
}  # fmt: skip
# Largest difference of the density, as a share of its peak.
_DENSITY_SHARE = 0.01
_TUBE_KEYS = ("ph", "range", "bound", "coverage", "flags", "ph_std", "lab", "delta_e", "liquid", "core")
_EXPECTED_KEYS = (
    "verdict", "step", "source", "ph", "ph_std", "range", "difference", "difference_range", "joint_std",
    "causes", "note",
)  # fmt: skip
_EXPECTED_TOLERANCE = 0.005


def recompute(archive: Archive, record: Record) -> list[str]:
    """Read a recorded photograph again and compare.

    Parameters
    ----------
    archive : Archive
    record : Record
        Of kind "reading".

    Returns
    -------
    list of str
        What differs, a sentence each; empty when all agrees.

    Raises
    ------
    ArchiveError
        The original or the chart is not there.
    """
    from hueph.chart import load_chart
    from hueph.reading import read_photo

    original, chart = record.of_role("original")[0], record.of_role("chart")[0]
    name = original.sha256 if archive.contents.has(original.sha256) else original.private_free
    by_hand = record.payload.get("by_hand") or {}
    coverage = record.payload.get("options", {}).get("coverage", 0.95)
    with archive.contents.path(name) as photo_file, archive.contents.path(chart.sha256) as chart_file:
        try:
            known = load_chart(chart_file)
            readings = read_photo(
                photo_file, known, coverage=coverage, tubes=by_hand.get("tubes"), strip=by_hand.get("strip")
            )
        except HuephError as error:
            return [f"cannot be read again: {type(error).__name__}"]
        if record.payload.get("asked"):
            readings = _expect_again(archive, record, readings)
    found = []
    if known.sha256 != record.payload["chart"]["sha256"]:
        found.append(f"chart: recorded {record.payload['chart']['sha256'][:12]}, stored {known.sha256[:12]}")
    now = readings.to_dict()
    for entry, reading in zip(now["tubes"], readings.tubes, strict=True):
        entry["core"] = [[round(x, 1), round(y, 1)] for x, y in reading.core]
        entry["ph_std"] = None if reading.ph_std is None else round(reading.ph_std, 4)
        entry["posterior"] = pack_posterior(reading.grid, reading.posterior)
    found += differences(record.payload, now)
    missing = [
        {entry["tube"]: entry for entry in payload.get("expected_unmatched", [])}
        for payload in (record.payload, now)
    ]
    for tube in sorted(missing[0].keys() | missing[1].keys()):
        found += _expected_differences(
            f"tube {tube} (not found)", missing[0].get(tube, {}), missing[1].get(tube, {})
        )
    return found


def _expect_again(archive: Archive, record: Record, readings: PhotoReadings) -> PhotoReadings:
    """Compare with what the stored recipes give, as when it was recorded."""
    from hueph.expecting import ExpectRequest, attach_expected, expect_tubes

    items = {item.sha256: item for item in record.of_role("recipe")}
    with contextlib.ExitStack() as files:
        requests, sources = [], {}
        for one in record.payload["asked"]:
            recipe = one["line"]
            if os.path.exists(recipe):
                # An imported record must not make this machine read a file of its own.
                raise ArchiveError(f"the recipe line {recipe!r} is the name of a file here")
            if one["recipe"]:
                item = items[one["recipe"]]
                name = item.sha256 if archive.contents.has(item.sha256) else item.private_free
                recipe = str(files.enter_context(archive.contents.path(name)))
                sources[os.path.basename(recipe)] = item.name
            requests.append(ExpectRequest(recipe, one["step"], tuple(one["tubes"]), one["photo"]))
        expected = expect_tubes(requests)
    named = replace(readings, file=record.payload["photo"]["file"])
    again = attach_expected(
        named,
        [
            replace(
                one,
                expectation=replace(
                    one.expectation, source=sources.get(one.expectation.source, one.expectation.source)
                ),
            )
            for one in expected
        ],
    )
    return replace(again, file=readings.file)


def differences(recorded: dict[str, Any], now: dict[str, Any]) -> list[str]:
    """Return what differs between two readings of one photograph, a sentence each.

    Parameters
    ----------
    recorded, now : dict
        Payloads of a reading.

    Returns
    -------
    list of str
    """
    found = [
        f"{key}: recorded {recorded.get(key)}, recomputed {now.get(key)}"
        for key in ("flags",)
        if recorded.get(key) != now.get(key)
    ]
    if (size := _size(recorded)) != _size(now):
        found.append(f"picture size: recorded {size}, recomputed {_size(now)}")
    found += _strip_differences(recorded["strip"], now["strip"])
    if len(recorded["tubes"]) != len(now["tubes"]):
        return [*found, f"tubes: recorded {len(recorded['tubes'])}, recomputed {len(now['tubes'])}"]
    for one, other in zip(recorded["tubes"], now["tubes"], strict=True):
        found += [
            f"tube {one.get('tube')}, {key}: recorded {shown(one.get(key))}, "
            f"recomputed {shown(other.get(key))}"
            for key in _TUBE_KEYS
            if not _alike(one.get(key), other.get(key), _TOLERANCES.get(key, 0.0))
        ]
        found += _expected_differences(
            f"tube {one.get('tube')}", one.get("expected") or {}, other.get("expected") or {}
        )
        if not _same_density(one.get("posterior"), other.get("posterior")):
            found.append(f"tube {one.get('tube')}, posterior: the densities differ")
    return found


def _expected_differences(where: str, recorded: dict[str, Any], now: dict[str, Any]) -> list[str]:
    """Compare what a tube was compared with."""
    return [
        f"{where}, expected {key}: recorded {shown(recorded.get(key))}, recomputed {shown(now.get(key))}"
        for key in _EXPECTED_KEYS
        if not _alike(recorded.get(key), now.get(key), _EXPECTED_TOLERANCE)
    ]


def _size(payload: dict[str, Any]) -> tuple[Any, Any]:
    return payload["photo"].get("width"), payload["photo"].get("height")


def _strip_differences(one: dict[str, Any], other: dict[str, Any]) -> list[str]:
    """Compare the strip as it was found."""
    if one["found"] != other["found"] or len(one["patches"]) != len(other["patches"]):
        return [
            f"strip: recorded {len(one['patches'])} patches, recomputed {len(other['patches'])}",
        ]
    found = []
    if not _alike(one["residual_delta_e"], other["residual_delta_e"], _TOLERANCES["residual_delta_e"]):
        found.append(
            f"strip, residual: recorded {one['residual_delta_e']}, recomputed {other['residual_delta_e']}"
        )
    for number, (a, b) in enumerate(zip(one["patches"], other["patches"], strict=True), start=1):
        if not (
            _alike(a["corners"], b["corners"], _TOLERANCES["corners"]) and _alike(a["ph"], b["ph"], 1e-6)
        ):
            found.append(f"strip, patch {number}: recorded {shown(a)}, recomputed {shown(b)}")
    return found


def _alike(one: Any, other: Any, tolerance: float) -> bool:
    """Compare JSON values; numbers with a tolerance."""
    if isinstance(one, list) and isinstance(other, list):
        return len(one) == len(other) and all(
            _alike(a, b, tolerance) for a, b in zip(one, other, strict=True)
        )
    numbers = (int, float)
    if isinstance(one, numbers) and isinstance(other, numbers) and not isinstance(one, bool):
        return math.isclose(one, other, rel_tol=0.0, abs_tol=tolerance + 1e-9)
    return bool(one == other)


def _same_density(one: dict[str, Any] | None, other: dict[str, Any] | None) -> bool:
    """Compare two packed densities where either is not nothing."""
    if one is None or other is None:
        return one is other or one == other
    if not _alike(one["step"], other["step"], 1e-6):
        return False
    first, second = _spread(one), _spread(other)
    peak = max([*first.values(), *second.values(), 1e-12])
    return all(
        abs(first.get(place, 0.0) - second.get(place, 0.0)) <= _DENSITY_SHARE * peak
        for place in first.keys() | second.keys()
    )


def _spread(packed: dict[str, Any]) -> dict[int, float]:
    """Return a packed density by its place on the even grid."""
    start = round(packed["low"] / packed["step"])
    return {start + number: float(value) for number, value in enumerate(packed["density"])}


def shown(value: Any) -> str:
    """Return a value in a few letters."""
    text = "none" if value is None else canonical_json(value)
    return text if len(text) <= 60 else f"{text[:57]}..."


def explained(record: Record) -> str:
    """Say how the program that made a record differs from this one, "" when it does not."""
    return same_program(record.program)
