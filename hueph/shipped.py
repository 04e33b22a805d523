"""The reference charts that come with hueph, found by name."""

from __future__ import annotations

import difflib
import os
from pathlib import Path

from hueph._types import PathLike
from hueph.errors import ChartError

__all__ = ["find_chart", "shipped_charts"]


def shipped_charts() -> dict[str, Path]:
    """Return the chart files that come with hueph, by name.

    Returns
    -------
    dict
        Name of the chart's folder to its ``chart.toml``, sorted by name; empty when none is installed.
    """
    package = Path(__file__).resolve().parent
    # Installed, the folder lies inside the package; in a checkout beside it.
    for folder in (package / "reference_charts", package.parent / "reference_charts"):
        found = {file.parent.name: file for file in sorted(folder.glob("*/chart.toml"))}
        if found:
            return found
    return {}


def find_chart(chart: PathLike) -> Path:
    """Return the file of a chart given as a path or by the name of a shipped chart.

    Parameters
    ----------
    chart : path or str
        A chart file, a folder that holds ``chart.toml``, or a name from `shipped_charts`.
        A file that exists goes before a shipped chart of that name.

    Returns
    -------
    Path
        The chart file; it exists, but has not been read.

    Raises
    ------
    ChartError
        Neither a file nor a known name; the text lists what there is.
    """
    path = Path(chart)
    if path.is_file():
        return path
    if (path / "chart.toml").is_file():
        return path / "chart.toml"
    known = shipped_charts()
    name = os.fspath(chart)
    if name in known:
        return known[name]
    near = difflib.get_close_matches(name, known, n=1)
    hint = f"did you mean {near[0]}?" if near else "shipped charts: " + (", ".join(known) or "none")
    raise ChartError(
        f"cannot find the chart {name}: it must be a chart file or the name of a shipped chart; {hint}"
    )
