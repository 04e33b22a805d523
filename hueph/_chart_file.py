"""The chart file: TOML text to `Chart` and back, with messages that name the line."""

from __future__ import annotations

import re
import tomllib
from difflib import get_close_matches
from typing import Any, NoReturn

from hueph._chart_lines import Lines, is_number
from hueph._chart_standards import PHOTO_KEYS, STANDARD_KEYS, canonical_standards, parse_standards
from hueph.chart import Chart, Marker, Patch, Reference
from hueph.errors import ChartError

SCHEMA = "hueph-chart"
SCHEMA_VERSION = 1
MIN_PATCHES = 3

LAYOUTS = ("row", "column", "grid")
UNITS = ("px", "mm")
_TEXTS = ("name", "indicator", "batch", "date", "provenance", "note")
_TOP_KEYS = (
    "format", "version", *_TEXTS, "layout", "unit", "card_size", "paper_lab", "sha256", "dictionary",
    "patch", "marker", "reference", "standard_photo", "standard",
)  # fmt: skip
_ENTRY_KEYS = {
    "patch": ("ph", "lab", "delta_e_std", "corners"),
    "marker": ("id", "corners"),
    "reference": ("kind", "lab", "delta_e_std", "corners"),
    "standard_photo": PHOTO_KEYS,
    "standard": STANDARD_KEYS,
}
# Decimals that are written: finer than any print or camera, and the same on every machine.
_PH_DECIMALS, _LAB_DECIMALS, _DELTA_DECIMALS, _PLACE_DECIMALS = 4, 3, 3, 3


def parse_chart(text: str, file: str) -> tuple[Chart, str]:
    """Return the chart of a TOML text and the hash that the text states ("" when none).

    Raises
    ------
    ChartError
        A rule is broken; the text names file and line.
    """
    try:
        data = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise ChartError(_syntax_problem(str(error), text, file)) from error
    lines = Lines(text, file, tuple(_ENTRY_KEYS))
    _check_schema(data, lines)
    texts = {key: _text(data, key, lines) for key in _TEXTS}
    if not texts["name"].strip():
        lines.fail("`name` must not be empty; give the chart a name", "name")
    patches = _patches(data, lines)
    size = lines.numbers(data, "card_size", 2)
    if min(size) <= 0:
        lines.fail(f"`card_size` must hold a width and a height above 0, got {list(size)}", "card_size")
    paper = _lab(data, "paper_lab", lines)
    markers = _markers(data, lines)
    photos, standards = parse_standards(data, patches, lines)
    dictionary = _text(data, "dictionary", lines)
    if markers and not dictionary:
        lines.fail("a chart with markers must name their `dictionary`, found none", "dictionary")
    chart = Chart(
        patches=patches,
        paper_lab=paper,
        card_size=(size[0], size[1]),
        layout=_choice(data, "layout", LAYOUTS, "row", lines),
        unit=_choice(data, "unit", UNITS, "px", lines),
        dictionary=dictionary,
        markers=markers,
        references=_references(data, lines),
        standard_photos=photos,
        standards=standards,
        **texts,
    )
    return chart, _text(data, "sha256", lines)


def _syntax_problem(problem: str, text: str, file: str) -> str:
    """Turn the parser's message into ours; the parser names line and column at its end."""
    found = re.search(r"\(at line (\d+), column (\d+)\)$", problem)
    place = f"{file}, line {found[1]}" if found else f"{file}, line {text.count(chr(10)) + 1}"
    what = re.sub(r"\s*\(at .*\)$", "", problem)
    return f"{place}: this is not valid TOML ({what}); mend the line or make the chart again with hueph calibrate"


def _check_schema(data: dict[str, Any], lines: Lines) -> None:
    """Check format, version and the names of all keys."""
    if data.get("format") != SCHEMA:
        lines.fail(
            f'a chart file must say format = "{SCHEMA}", found {data.get("format")!r}; '
            "make one with hueph calibrate",
            "format",
        )
    version = data.get("version")
    if version != SCHEMA_VERSION or isinstance(version, bool):
        lines.fail(
            f"this hueph reads charts of version {SCHEMA_VERSION}, found version {version!r}; "
            "use the hueph that wrote it, or calibrate again",
            "version",
        )
    for key in data:
        if key not in _TOP_KEYS:
            _unknown(key, _TOP_KEYS, lines)
    for table, known in _ENTRY_KEYS.items():
        entries = data.get(table, [])
        if not isinstance(entries, list) or not all(isinstance(entry, dict) for entry in entries):
            lines.fail(f"`{table}` must be a list of tables, each begun with [[{table}]]", table)
        for index, entry in enumerate(entries):
            for key in entry:
                if key not in known:
                    _unknown(key, known, lines, table, index)


def _unknown(key: str, known: tuple[str, ...], lines: Lines, table: str = "", index: int = -1) -> NoReturn:
    near = get_close_matches(key, known, n=1)
    hint = f"did you mean `{near[0]}`?" if near else f"known here: {', '.join(known)}"
    lines.fail(f"unknown key `{key}`; {hint}", key, table, index)


def _text(data: dict[str, Any], key: str, lines: Lines) -> str:
    import datetime

    value = data.get(key, "")
    if isinstance(value, datetime.date | datetime.datetime):
        return value.isoformat()
    if not isinstance(value, str):
        lines.fail(f'`{key}` must be text in quotes, for example {key} = "...", got {value!r}', key)
    return value


def _choice(data: dict[str, Any], key: str, known: tuple[str, ...], default: str, lines: Lines) -> str:
    value = data.get(key, default)
    if value not in known:
        lines.fail(f"`{key}` must be one of {', '.join(known)}, got {value!r}", key)
    return str(value)


def _lab(
    entry: dict[str, Any], key: str, lines: Lines, table: str = "", index: int = -1
) -> tuple[float, float, float]:
    lightness, a, b = lines.numbers(entry, key, 3, table, index)
    if not (0 <= lightness <= 110 and max(abs(a), abs(b)) <= 200):
        lines.fail(
            f"`{key}` must be CIELAB with L* from 0 to 100 and a*, b* within 200 of zero, "
            f"got {[lightness, a, b]}",
            key, table, index,
        )  # fmt: skip
    return lightness, a, b


def _delta(entry: dict[str, Any], lines: Lines, table: str, index: int) -> float:
    value = lines.number(entry, "delta_e_std", table, index)
    if value < 0:
        lines.fail(
            f"`delta_e_std` of {table} {index + 1} must not be negative, got {value:g}",
            "delta_e_std",
            table,
            index,
        )
    return value


def _corners(entry: dict[str, Any], lines: Lines, table: str, index: int) -> tuple[tuple[float, float], ...]:
    owner = f"{table} {index + 1}"
    value = entry.get("corners")
    shaped = (
        isinstance(value, list)
        and len(value) == 4
        and all(isinstance(point, list) and len(point) == 2 and all(map(is_number, point)) for point in value)
    )
    if not shaped:
        lines.fail(
            f"`corners` of {owner} must be four points [[x, y], ...], top-left first and clockwise, got {value!r}",
            "corners", table, index,
        )  # fmt: skip
    assert isinstance(value, list)  # narrowed above; for the type checker
    points = tuple((float(x), float(y)) for x, y in value)
    if not _is_convex_clockwise(points):
        lines.fail(
            f"`corners` of {owner} must run clockwise round a convex four-sided area, got {value!r}",
            "corners", table, index,
        )  # fmt: skip
    return points


def _is_convex_clockwise(points: tuple[tuple[float, float], ...]) -> bool:
    """Say whether four points turn right at every corner as seen on a page (y downwards)."""
    for index in range(4):
        (ax, ay), (bx, by), (cx, cy) = (points[(index + step) % 4] for step in range(3))
        if (bx - ax) * (cy - by) - (by - ay) * (cx - bx) <= 0:
            return False
    return True


def _patches(data: dict[str, Any], lines: Lines) -> tuple[Patch, ...]:
    entries = data.get("patch", [])
    if len(entries) < MIN_PATCHES:
        lines.fail(
            f"a chart must have at least {MIN_PATCHES} patches, each begun with [[patch]], found {len(entries)}"
        )
    patches: list[Patch] = []
    for index, entry in enumerate(entries):
        ph = lines.number(entry, "ph", "patch", index)
        if not -2 <= ph <= 16:
            lines.fail(f"`ph` must lie between -2 and 16, got {ph:g}", "ph", "patch", index)
        if patches and ph <= patches[-1].ph:
            word = "twice" if ph == patches[-1].ph else f"after {patches[-1].ph:g}"
            lines.fail(
                f"patches must stand in order of rising pH, each pH once; found {ph:g} {word}",
                "ph",
                "patch",
                index,
            )
        lab = _lab(entry, "lab", lines, "patch", index)
        patches.append(
            Patch(ph, lab, _delta(entry, lines, "patch", index), _corners(entry, lines, "patch", index))
        )
    return tuple(patches)


def _markers(data: dict[str, Any], lines: Lines) -> tuple[Marker, ...]:
    markers: list[Marker] = []
    for index, entry in enumerate(data.get("marker", [])):
        number = lines.number(entry, "id", "marker", index)
        if number != int(number) or number < 0 or any(number == other.id for other in markers):
            lines.fail(
                f"`id` of a marker must be a whole number used once, got {number:g}", "id", "marker", index
            )
        markers.append(Marker(int(number), _corners(entry, lines, "marker", index)))
    return tuple(markers)


def _references(data: dict[str, Any], lines: Lines) -> tuple[Reference, ...]:
    references = []
    for index, entry in enumerate(data.get("reference", [])):
        kind = entry.get("kind")
        if kind not in ("grey", "colour"):
            lines.fail(f'`kind` must be "grey" or "colour", got {kind!r}', "kind", "reference", index)
        references.append(
            Reference(
                kind,
                _lab(entry, "lab", lines, "reference", index),
                _delta(entry, lines, "reference", index),
                _corners(entry, lines, "reference", index),
            )
        )
    return tuple(references)


def canonical(chart: Chart) -> dict[str, Any]:
    """Return everything a chart file holds except its hash, with the written decimals."""
    content: dict[str, Any] = {"format": SCHEMA, "version": SCHEMA_VERSION}
    content |= {key: getattr(chart, key) for key in _TEXTS}
    content |= {
        "layout": chart.layout,
        "unit": chart.unit,
        "card_size": _rounded(chart.card_size, _PLACE_DECIMALS),
        "paper_lab": _rounded(chart.paper_lab, _LAB_DECIMALS),
        "dictionary": chart.dictionary,
        "patch": [
            {"ph": _rounded_one(patch.ph, _PH_DECIMALS)} | _colour_and_place(patch) for patch in chart.patches
        ],
        "marker": [{"id": marker.id, "corners": _places(marker.corners)} for marker in chart.markers],
        "reference": [{"kind": area.kind} | _colour_and_place(area) for area in chart.references],
    }
    return content | canonical_standards(chart.standard_photos, chart.standards)


def _colour_and_place(area: Patch | Reference) -> dict[str, Any]:
    return {
        "lab": _rounded(area.lab, _LAB_DECIMALS),
        "delta_e_std": _rounded_one(area.delta_e_std, _DELTA_DECIMALS),
        "corners": _places(area.corners),
    }


def _places(corners: tuple[tuple[float, float], ...]) -> list[list[float]]:
    return [_rounded(point, _PLACE_DECIMALS) for point in corners]


def _rounded(values: tuple[float, ...], decimals: int) -> list[float]:
    return [_rounded_one(value, decimals) for value in values]


def _rounded_one(value: float, decimals: int) -> float:
    return round(float(value), decimals) + 0.0  # turns -0.0 into 0.0


def dump_chart(chart: Chart) -> str:
    """Return the TOML text of a chart, ready to be read and edited by a person."""
    content = canonical(chart)
    out = [
        "# A reference chart for hueph: what is printed on the card, and where.",
        "# lab: CIELAB, D65 white, 2 degree observer. corners: x, y in card units from the card's",
        "# top-left corner, y downwards, in the order top-left, top-right, bottom-right, bottom-left.",
        "# delta_e_std: standard uncertainty of the colour, CIEDE2000. Edit freely; the hash is only a note.",
        f"format = {_quoted(SCHEMA)}",
        f"version = {SCHEMA_VERSION}",
    ]
    out += [f"{key} = {_quoted(content[key])}" for key in _TEXTS if content[key] or key == "name"]
    out += [
        f"layout = {_quoted(content['layout'])}",
        f"unit = {_quoted(content['unit'])}",
        f"card_size = {_listed(content['card_size'])}",
        f"paper_lab = {_listed(content['paper_lab'])}",
    ]
    if content["dictionary"]:
        out.append(f"dictionary = {_quoted(content['dictionary'])}")
    if chart.sha256:
        out.append(f"sha256 = {_quoted(chart.sha256)}")
    for table in _ENTRY_KEYS:
        for entry in content.get(table, []):
            out += ["", f"[[{table}]]", *(f"{key} = {_value(value)}" for key, value in entry.items())]
    return "\n".join(out) + "\n"


def _value(value: Any) -> str:
    if isinstance(value, str):
        return _quoted(value)
    if isinstance(value, list):
        return _listed(value)
    return repr(value)


def _listed(values: list[Any]) -> str:
    return "[" + ", ".join(_value(value) for value in values) + "]"


def _quoted(text: str) -> str:
    """Return a TOML basic string."""
    escapes = {"\\": "\\\\", '"': '\\"', "\n": "\\n", "\r": "\\r", "\t": "\\t"}
    return '"' + "".join(escapes.get(c, c if c.isprintable() else f"\\U{ord(c):08X}") for c in text) + '"'
