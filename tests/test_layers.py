"""Imports point one way: the syntax tree of every module is walked, wherever an import stands in it."""

from __future__ import annotations

import ast
from collections.abc import Iterator
from pathlib import Path

import pytest

import hueph

PACKAGE = Path(hueph.__file__).parent

# From the bottom to the top. A module may import from its own layer and from those below, except
# where STRANGERS says otherwise. A new module has to be given a place here.
LAYERS: tuple[tuple[str, ...], ...] = (
    (
        "errors",
        "_types",
        "_whole_file",
        "_words",
        "_checks",
        "_cluster",
        "_medians",
        "_memory",
        "_optional",
        "_system",
        "_threads",
        "_workers",
        "interval",
        "flags",
        "results",
    ),
    ("colour", "chemistry"),
    ("photo", "_photo", "chart", "_chart_file", "_chart_lines", "_chart_standards", "shipped"),
    ("locate",),
    ("white_balance", "measuring", "_pixels", "_light_field", "_backing"),
    (
        "calibration",
        "_known_tubes",
        "_kriging",
        "_beside_standards",
        "estimating",
        "judging",
        "budget",
        "charting",
    ),
    ("reading", "standards", "standards_report"),
    ("expecting", "_expecting_causes", "_expecting_tubes"),
    ("comparing", "buffering"),
    # Below the archive, because a record holds the annotated picture.
    (
        "report",
        "comparison_report",
        "comparison_figure",
        "cards",
        "plots_chemistry",
        "overlay",
        "_overlay_panel",
        "_picture_file",
    ),
    ("archive",),
    ("batch",),
    ("cli",),
)
# Neighbours that know nothing of each other.
STRANGERS = ({"colour", "chemistry"}, {"reading", "synthetic"})
# The renderer of test scenes stands beside the program: it must share nothing with the estimator
# but these, and nothing of the program may lean on it.
SYNTHETIC_MAY_IMPORT = {"synthetic", "colour", "chemistry", *LAYERS[0]}
# The two that see everything: the public names, and `python -m hueph`.
EXEMPT = {"__init__", "__main__"}


def unit_of(module: str) -> str:
    """Return the part of the package a dotted module name belongs to ("" for the package itself)."""
    return module.split(".")[1] if "." in module else ""


def imports(file: Path) -> Iterator[tuple[str, int]]:
    """Yield each module of hueph that a file imports, with its line."""
    for node in ast.walk(ast.parse(file.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            names = [alias.name for alias in node.names]
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{file}:{node.lineno}: relative import; write the whole name"
            base = node.module or ""
            names = [f"hueph.{alias.name}" for alias in node.names] if base == "hueph" else [base]
        else:
            continue
        for name in names:
            if name == "hueph" or name.startswith("hueph."):
                yield name, node.lineno


def layer_of(unit: str) -> int:
    """Return the number of a unit's layer, counted from the bottom."""
    for number, units in enumerate(LAYERS):
        if unit in units:
            return number
    raise AssertionError(f"{unit} has no layer: give it one in tests/test_layers.py")


def wrong_way(importer: str, imported: str) -> str:
    """Say what is wrong with an import, "" when nothing is."""
    if imported in ("", "__version__") or importer == imported:
        return ""
    if importer == "synthetic":
        return "" if imported in SYNTHETIC_MAY_IMPORT else "the renderer may not know the program"
    if imported == "synthetic":
        return "the program may not know the renderer"
    if layer_of(imported) > layer_of(importer):
        return "points upwards"
    if any({importer, imported} <= pair for pair in STRANGERS):
        return "these two may not know each other"
    return ""


def python_files() -> list[Path]:
    return sorted(file for file in PACKAGE.rglob("*.py"))


@pytest.mark.parametrize("file", python_files(), ids=lambda file: str(file.relative_to(PACKAGE)))
def test_imports_point_downwards(file: Path) -> None:
    importer = file.relative_to(PACKAGE).parts[0].removesuffix(".py")
    if importer in EXEMPT:
        return
    if importer != "synthetic":
        layer_of(importer)
    wrong = [
        f"{file.name}:{line}: {importer} imports {name}: {problem}"
        for name, line in imports(file)
        if (problem := wrong_way(importer, unit_of(name)))
    ]
    assert wrong == []


def test_every_name_of_a_layer_is_a_module() -> None:
    there = {file.relative_to(PACKAGE).parts[0].removesuffix(".py") for file in python_files()}
    assert [unit for units in LAYERS for unit in units if unit not in there] == []


@pytest.mark.parametrize(
    ("importer", "imported", "problem"),
    [
        ("colour", "photo", "points upwards"),
        ("colour", "chemistry", "these two may not know each other"),
        ("synthetic", "reading", "the renderer may not know the program"),
        ("reading", "synthetic", "the program may not know the renderer"),
        ("cli", "reading", ""),
        ("synthetic", "colour", ""),
    ],
)
def test_the_rule_tells_right_from_wrong(importer: str, imported: str, problem: str) -> None:
    assert wrong_way(importer, imported) == problem


def test_the_walk_sees_imports_inside_functions(tmp_path: Path) -> None:
    file = tmp_path / "x.py"
    file.write_text("def f():\n    from hueph import reading\n    import hueph.cli.read\n")
    assert list(imports(file)) == [("hueph.reading", 2), ("hueph.cli.read", 3)]
