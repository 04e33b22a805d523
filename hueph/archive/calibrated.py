"""Recorded calibrations as a report shows them: the chart, how sure its patches are, how far it drifted."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from hueph._words import counted
from hueph.archive.records import Labels, Record
from hueph.archive.store import Archive
from hueph.chart import Chart, load_chart
from hueph.errors import HuephError
from hueph.interval import Interval, format_ph

if TYPE_CHECKING:
    from hueph.archive.report_view import NoteView

__all__ = ["CalibrationView", "calibration_view", "chart_hash"]

Words = tuple[str, ...]
Rows = tuple[Words, ...]

_PATCHES: Words = ("pH", "L*", "a*", "b*", "Uncertainty, CIEDE2000")
_STANDARDS: Words = ("Label, pH", "By the chart alone", "Left out, by the others", "Tube")
_DRIFT: Words = ("pH", "Drift, CIEDE2000", "A reading moves by, pH")


@dataclass(frozen=True, slots=True)
class CalibrationView:
    """A chart that was made, refined with standards, or checked.

    Attributes
    ----------
    number : int
    title : str
    facts, sentences : tuple of str
        Where it comes from; what was found.
    head, rows : tuple
        A table: patches with their scatter, standards left out, or the drift of each patch; empty without one.
    notes : tuple of NoteView
    """

    number: int
    title: str
    facts: tuple[str, ...]
    sentences: tuple[str, ...]
    head: tuple[str, ...]
    rows: Rows
    notes: tuple[NoteView, ...]


def chart_hash(record: Record) -> str:
    """Return the hash of the chart that a reading or a calibration names, "" for other records."""
    if record.kind not in ("reading", "calibration"):
        return ""
    return str((record.payload.get("chart") or {}).get("sha256", ""))


def calibration_view(
    archive: Archive,
    record: Record,
    labels: Labels,
    notes: tuple[NoteView, ...],
    used_by: tuple[int, ...],
) -> CalibrationView:
    """Gather one calibration.

    Parameters
    ----------
    archive : Archive
    record : Record
        Of kind "calibration".
    labels : Labels
        As last corrected.
    notes : tuple of NoteView
        On this record.
    used_by : tuple of int
        Numbers of the readings made with this chart.

    Returns
    -------
    CalibrationView
    """
    payload = record.payload
    check, standards = payload.get("check"), payload.get("standards")
    chart = _chart(archive, record)
    sentences = [str(text) for name in ("summary", "warnings") for text in payload.get(name) or ()]
    if check:
        said, does = ", checked", "Compared with"
        sentences.append(f"{check['verdict']}: {check['reason']}.")
        head, rows = _DRIFT, _drift_rows(check)
    elif standards:
        said = f", refined with {counted(len(standards), 'standard')}"
        does = "Standards in"
        head, rows = _STANDARDS, _standard_rows(standards)
    else:
        said, does = "", "Made from"
        head, rows = _PATCHES, () if chart is None else _patch_rows(chart)
    pictures = ", ".join(item.name for item in record.of_role("original"))
    facts = [f"{does} {pictures}."] if pictures else []
    facts += [] if chart is None else _about(chart)
    facts += [f"By {labels.who}."] if labels.who else []
    facts.append(f"Recorded {record.received.replace('T', ' ')[:16]} UTC. Chart {chart_hash(record)[:16]}.")
    if used_by:
        facts.append(f"Used in record{'' if len(used_by) == 1 else 's'} {', '.join(map(str, used_by))}.")
    title = f"{payload['chart']['name']}{said}"
    return CalibrationView(record.number, title, tuple(facts), tuple(sentences), head, rows, notes)


def _chart(archive: Archive, record: Record) -> Chart | None:
    """Return the chart that was recorded, None when it cannot be read any more; verify says why."""
    try:
        with archive.contents.path(record.of_role("chart")[0].sha256) as file:
            return load_chart(file)
    except (HuephError, IndexError):
        return None


def _about(chart: Chart) -> list[str]:
    """Say when a chart was calibrated, for what, and how sure its patches are."""
    known = (
        ("Calibrated on", chart.date),
        ("Indicator", chart.indicator),
        ("Batch", chart.batch),
        ("Source:", chart.provenance),
    )
    spread = [f"{patch.delta_e_std:.1f}" for patch in chart.patches]
    least, most = min(spread, key=float), max(spread, key=float)
    return [
        *(f"{name} {words.rstrip('.')}." for name, words in known if words),
        f"{len(chart.patches)} patches, pH {chart.ph[0]:g} to {chart.ph[-1]:g}, known to "
        f"{least if least == most else f'{least} to {most}'} CIEDE2000 (k = 1).",
    ]


def _patch_rows(chart: Chart) -> Rows:
    return tuple(
        (f"{patch.ph:g}", *(f"{value:.1f}" for value in patch.lab), f"{patch.delta_e_std:.1f}")
        for patch in chart.patches
    )


def _drift_rows(check: dict[str, Any]) -> Rows:
    return tuple(
        (
            f"{patch['ph']:g}",
            f"{patch['delta_e']:.1f}",
            "hardly turns here" if patch["ph_shift"] is None else f"{patch['ph_shift']:+.2f}",
        )
        for patch in check["patches"]
    )


def _standard_rows(standards: list[dict[str, Any]]) -> Rows:
    return tuple(
        (f"{row['ph']:.2f}", _read_as(row["chart_alone"]), _read_as(row["left_out"]), str(row["tube"]))
        for row in standards
    )


def _read_as(seen: dict[str, Any]) -> str:
    """Return what a standard was read as, with its range of 95 %."""
    low, high = seen["range"]
    spread = str(Interval(low, high, 0.95)).removesuffix(", 95 %")
    return spread if low is None or high is None else f"{format_ph(seen['median'])} ({spread})"
