"""Gather what a report shows of an experiment from its records."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from hueph import __version__
from hueph.archive.calibrated import CalibrationView, calibration_view, chart_hash
from hueph.archive.compared import expected_of, pair_view, unmatched_of
from hueph.archive.densities import unpack_posterior
from hueph.archive.pictures import cut_to_pages
from hueph.archive.records import Record
from hueph.archive.report_view import (
    CAUTIONS,
    ComparisonView,
    ExpectationView,
    NoteView,
    ReadingView,
    RecordView,
    ReportView,
    TubeView,
)
from hueph.archive.selecting import Selection, select_records
from hueph.archive.store import Archive
from hueph.errors import ArchiveError
from hueph.flags import FLAGS, flag_sentence
from hueph.interval import Interval, format_coverage, format_ph

__all__ = ["agreement", "build_view"]


def build_view(archive: Archive, experiment: str) -> ReportView:
    """Gather what a report shows.

    Parameters
    ----------
    archive : Archive
    experiment : str

    Returns
    -------
    ReportView

    Raises
    ------
    InputError
        No such experiment.
    """
    selection = select_records(archive, [experiment])
    members = [archive.record(number) for number in sorted(selection.numbers or ())]
    expected = _expected_steps(members)
    length, head = archive.head()
    own = [record for record in members if record.kind not in ("note", "correction")]
    readings = tuple(
        _reading_view(archive, record, selection, expected) for record in own if record.kind == "reading"
    )
    expectations = tuple(_expectation_view(record) for record in own if record.kind == "expectation")
    comparisons = tuple(_comparison_view(archive, record) for record in own if record.kind == "comparison")
    calibrations = _calibration_views(archive, own, selection)
    special = [text for view in expectations for text in view.cautions]
    special += [text for view in comparisons for text in view.cautions]
    # A chart may have been calibrated for many experiments, long before this one.
    dated = [record for record in own if selection.labels_of(record).experiment == experiment]
    times = sorted(record.taken or record.received for record in dated if record.received)
    return ReportView(
        experiment=experiment,
        people=tuple(
            dict.fromkeys(labels.who for record in dated if (labels := selection.labels_of(record)).who)
        ),
        first=times[0] if times else "",
        last=times[-1] if times else "",
        readings=readings,
        comparisons=comparisons,
        expectations=expectations,
        calibrations=calibrations,
        records=tuple(
            RecordView(record.number, record.kind, record.received, record.summary, record.hash)
            for record in members
        ),
        cautions=tuple(dict.fromkeys([*special, *CAUTIONS])),
        chain_length=length,
        chain_head=head,
        version=__version__,
    )


def _expected_steps(members: Sequence[Record]) -> dict[str, dict[str, Any]]:
    """Return the steps of every recorded recipe by name; a later record counts."""
    return {
        str(step.get("step", "")).casefold(): step
        for record in members
        if record.kind == "expectation"
        for step in record.payload.get("steps", [])
    }


def _notes_on(archive: Archive, number: int) -> tuple[tuple[NoteView, ...], int | None]:
    """Return notes and corrections of a record, and the number of the reading that replaces it."""
    notes: list[NoteView] = []
    replaced: int | None = None
    for other, relation in archive.pointing_to(number):
        record = archive.record(other)
        if relation == "corrects" and record.kind == "reading":
            replaced = other
        elif record.kind in ("note", "correction"):
            who = record.labels.who if record.kind == "note" else str(record.payload.get("corrected_by", ""))
            text = str(record.payload.get("text", ""))
            if record.kind == "correction":
                text = f"labels corrected: {text}"
            notes.append(NoteView(other, record.received, who, text))
    return tuple(notes), replaced


def _picture(archive: Archive, record: Record, role: str, tube: int | None = None) -> bytes:
    """Return a stored picture, empty when there is none."""
    for item in record.of_role(role):
        if item.tube == tube:
            try:
                return archive.data(item.sha256)
            except ArchiveError:
                return b""
    return b""


def _flags(names: Sequence[str]) -> tuple[tuple[str, str], ...]:
    return tuple(
        (name, flag_sentence(name) if name in FLAGS else "not a flag of this version") for name in names
    )


def _reading_view(
    archive: Archive, record: Record, selection: Selection, expected: dict[str, dict[str, Any]]
) -> ReadingView:
    """Gather one photograph."""
    payload, labels = record.payload, selection.labels_of(record)
    notes, replaced = _notes_on(archive, record.number)
    names = labels.tube_names(len(payload["tubes"]))
    tubes = []
    for entry, name in zip(payload["tubes"], names, strict=True):
        said = expected.get((name or labels.sample).casefold()) or expected.get(labels.step.casefold())
        tubes.append(_tube_view(entry, name, said, _picture(archive, record, "tube", entry["tube"])))
    originals = record.of_role("original")
    return ReadingView(
        number=record.number,
        file=payload["photo"]["file"],
        taken=record.taken,
        received=record.received,
        who=labels.who,
        sample=labels.sample,
        step=labels.step,
        chart=payload["chart"]["name"],
        chart_sha256=payload["chart"]["sha256"],
        card_ph=tuple(float(patch["ph"]) for patch in payload["strip"]["patches"]),
        residual=payload["strip"]["residual_delta_e"],
        coverage=float(payload["options"].get("coverage", 0.95)),
        flags=_flags(payload["flags"]),
        tubes=tuple(tubes),
        overlay=_picture(archive, record, "overlay"),
        strip=_picture(archive, record, "strip"),
        notes=notes,
        not_found=tuple((number, str(expected)) for number, expected in unmatched_of(payload)),
        replaced_by=replaced,
        original_sha256=originals[0].sha256 if originals else "",
        version=str(record.program.get("version", "")),
        message=str(payload["strip"].get("message", "")),
    )


def _tube_view(entry: dict[str, Any], name: str, said: dict[str, Any] | None, picture: bytes) -> TubeView:
    """Gather one tube."""
    low, high = entry["range"] or (None, None)
    interval = Interval(low, high, entry["coverage"]) if entry["range"] else None
    ph = entry["ph"]
    if interval is None:
        value, spread = "no reading", ""
    elif ph is None:
        value, spread = f"pH {str(interval).rsplit(',', 1)[0]}", format_coverage(interval.coverage)
    else:
        value = f"pH {format_ph(ph, 2 if interval.width < 0.15 else 1)}"
        spread = str(interval)
    compared = expected_of(entry)
    if compared is not None:
        said = {"ph": compared.ph, "range": [compared.interval.low, compared.interval.high]}
        agreed, short = str(compared), f"expected {compared.ph:.2f}: {compared.outcome}"
    else:
        agreed = short = agreement(interval, said)
    expected_low, expected_high = (said or {}).get("range") or (None, None)
    return TubeView(
        number=int(entry["tube"]),
        name=name,
        ph=ph,
        low=low,
        high=high,
        value=value,
        spread=spread,
        flags=_flags(entry["flags"]),
        posterior=unpack_posterior(entry.get("posterior")),
        expected=None if said is None else said.get("ph"),
        expected_low=expected_low,
        expected_high=expected_high,
        agreement=agreed,
        verdict=short,
        causes=() if compared is None else compared.causes,
        picture=picture,
    )


def agreement(interval: Interval | None, said: dict[str, Any] | None) -> str:
    """Say whether a reading and an expectation agree: whether their ranges have a pH in common."""
    if said is None or said.get("ph") is None:
        return ""
    value = float(said["ph"])
    text = f"expected {value:.2f}"
    if interval is None:
        return text
    low, high = said.get("range") or (value, value)
    if (interval.low is None or interval.low <= high) and (interval.high is None or interval.high >= low):
        return f"{text}: agrees"
    if interval.high is not None and interval.high < low:
        return f"{text}: read at least {low - interval.high:.1f} lower"
    return f"{text}: read at least {(interval.low or high) - high:.1f} higher"


def _comparison_view(archive: Archive, record: Record) -> ComparisonView:
    """Gather one comparison, in the form that ``hueph compare --json`` gives it."""
    notes, _ = _notes_on(archive, record.number)
    return ComparisonView(
        number=record.number,
        title=str(record.payload.get("title", "")),
        pairs=tuple(pair_view(pair) for pair in record.payload.get("pairs", [])),
        uses=tuple(link.number for link in record.links),
        files=tuple(item.name for role in ("original", "recipe") for item in record.of_role(role)),
        notes=notes,
        figures=cut_to_pages(_picture(archive, record, "overlay")),
        cautions=tuple(str(text) for text in record.payload.get("cautions", [])),
    )


def _calibration_views(
    archive: Archive, own: Sequence[Record], selection: Selection
) -> tuple[CalibrationView, ...]:
    """Gather the calibrations, each with the readings made with its chart."""
    readings = [(chart_hash(record), record.number) for record in own if record.kind == "reading"]
    return tuple(
        calibration_view(
            archive,
            record,
            selection.labels_of(record),
            _notes_on(archive, record.number)[0],
            tuple(number for sha256, number in readings if sha256 == chart_hash(record)),
        )
        for record in own
        if record.kind == "calibration"
    )


def _expectation_view(record: Record) -> ExpectationView:
    """Gather the steps of a recipe."""
    rows = []
    for step in record.payload.get("steps", []):
        low, high = step.get("range") or (None, None)
        spread = "" if low is None or high is None else f"{low:.2f} to {high:.2f}"
        rows.append((str(step.get("step", "")), f"{step['ph']:.2f}", spread, str(step.get("text", ""))))
    recipes = record.of_role("recipe")
    return ExpectationView(
        record.number,
        recipes[0].name if recipes else "",
        str(record.payload.get("title", "")),
        tuple(rows),
        tuple(str(text) for text in record.payload.get("cautions", [])),
    )
