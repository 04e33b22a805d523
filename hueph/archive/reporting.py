"""The report of an experiment as one self-contained page, or as PDF."""

from __future__ import annotations

import base64
import importlib.resources
from pathlib import Path

from hueph._optional import require
from hueph._types import PathLike
from hueph._whole_file import written_whole
from hueph.archive.connect import sentences
from hueph.archive.report_axis import Line, Polygon, axis_shapes
from hueph.archive.report_gather import build_view
from hueph.archive.report_view import METHOD, ReadingView, ReportView, TubeView
from hueph.archive.store import Archive
from hueph.errors import InputError

__all__ = ["report_html", "report_pdf", "write_report"]

_AXIS_SIZE = (250.0, 52.0)


def report_html(archive: Archive, experiment: str) -> str:
    """Return the report of an experiment as one HTML page that loads nothing from anywhere.

    Parameters
    ----------
    archive : Archive
    experiment : str

    Returns
    -------
    str

    Raises
    ------
    InputError
        No such experiment.
    MissingDependency
        Jinja2 is not installed.
    """
    jinja2 = require("jinja2", purpose="writing a report", extra="archive")
    environment = jinja2.Environment(autoescape=True, trim_blocks=True, lstrip_blocks=True)
    environment.filters["picture"] = _data_uri
    environment.filters["time"] = _time
    environment.globals["axis"] = lambda tube, reading: jinja2.utils.markupsafe.Markup(_svg(tube, reading))
    source = importlib.resources.files("hueph.archive").joinpath("templates", "report.html")
    template = environment.from_string(source.read_text(encoding="utf-8"))
    return str(template.render(report=build_view(archive, experiment), method=METHOD))


def report_pdf(archive: Archive, experiment: str, *, paper: str = "a4") -> bytes:
    """Return the report of an experiment as PDF.

    Parameters
    ----------
    archive : Archive
    experiment : str
    paper : str
        "a4" or "letter".

    Returns
    -------
    bytes

    Raises
    ------
    InputError
        No such experiment, or another paper.
    MissingDependency
        ReportLab is not installed.
    """
    if paper not in ("a4", "letter"):
        raise InputError(f"the paper must be a4 or letter, got {paper!r}")
    require("reportlab", purpose="writing a report as PDF", extra="archive")
    from hueph.archive.report_pdf import draw_pdf

    view: ReportView = build_view(archive, experiment)
    return draw_pdf(view, paper=paper)


def write_report(archive: Archive, experiment: str, path: PathLike, *, paper: str = "a4") -> Path:
    """Write the report of an experiment, as HTML or PDF by the ending of the name.

    Parameters
    ----------
    archive : Archive
    experiment : str
    path : path
        Ending in ``.html`` or ``.pdf``; an older file of that name is replaced.
    paper : str
        "a4" or "letter", for PDF.

    Returns
    -------
    Path

    Raises
    ------
    InputError
        Another ending, or no such experiment.
    """
    target = Path(path)
    suffix = target.suffix.lower()
    if suffix not in (".html", ".pdf"):
        raise InputError(f"a report must end in .html or .pdf, got {target.name}")
    if suffix == ".html":
        data = report_html(archive, experiment).encode("utf-8")
    else:
        data = report_pdf(archive, experiment, paper=paper)
    with sentences(f"writing the report {target}"), written_whole(target) as part:
        part.write_bytes(data)
    return target


def _data_uri(picture: bytes) -> str:
    """Return a picture as an address that holds it."""
    kind = "png" if picture.startswith(b"\x89PNG") else "jpeg"
    return f"data:image/{kind};base64,{base64.b64encode(picture).decode()}"


def _time(text: str) -> str:
    """Return "2026-03-21T10:00:00Z" as "2026-03-21 10:00 UTC"; EXIF names no time zone."""
    shown = text.replace("T", " ").removesuffix("Z")[:16]
    return f"{shown} UTC" if text.endswith("Z") else shown


def _svg(tube: TubeView, reading: ReadingView) -> str:
    """Return a tube's axis as SVG."""
    width, height = _AXIS_SIZE
    parts = []
    for shape in axis_shapes(tube, reading, width, height):
        if isinstance(shape, Line):
            parts.append(
                f'<line x1="{shape.x1:.1f}" y1="{shape.y1:.1f}" x2="{shape.x2:.1f}" y2="{shape.y2:.1f}" '
                f'stroke="{_grey(shape.grey)}" stroke-width="{shape.thick}"/>'
            )
        elif isinstance(shape, Polygon):
            points = " ".join(f"{x:.1f},{y:.1f}" for x, y in shape.points)
            parts.append(
                f'<polygon points="{points}" fill="{_grey(shape.fill)}" stroke="{_grey(shape.outline)}"/>'
            )
        else:
            parts.append(
                f'<text x="{shape.x:.1f}" y="{shape.y:.1f}" font-size="{shape.size}" '
                f'text-anchor="middle">{shape.text}</text>'
            )
    if not parts:
        return ""
    title = f"tube {tube.number}: {tube.value} {tube.spread}"
    return f'<svg viewBox="0 0 {width:g} {height:g}" role="img" aria-label="{title}">{"".join(parts)}</svg>'


def _grey(level: float) -> str:
    value = round(255 * level)
    return f"#{value:02x}{value:02x}{value:02x}"
