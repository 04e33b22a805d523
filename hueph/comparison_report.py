"""Comparisons and experiments as text for people, as JSON and as rows of a table."""

from __future__ import annotations

import csv
import json
from collections.abc import Sequence
from typing import Any, TextIO

from hueph.buffering import colours_text
from hueph.comparing.capacity import BufferCapacity
from hueph.comparing.photos import Comparison, PairResult
from hueph.comparing.running import ExperimentResult, SampleResult
from hueph.comparing.wording import range_text, signed, two_digits
from hueph.flags import FLAGS, flag_sentence
from hueph.interval import Interval, format_ph
from hueph.report import reading_line
from hueph.results import Reading

__all__ = [
    "COMPARISON_COLUMNS",
    "capacity_text",
    "comparison_json",
    "comparison_rows",
    "comparison_text",
    "experiment_text",
    "resistance_text",
    "write_comparison",
]

COMPARISON_COLUMNS = (
    "label", "added", "before_photo", "before_tube", "after_photo", "after_tube", "chart",
    "before_ph", "before_low", "before_high", "after_ph", "after_low", "after_high",
    "delta_ph", "low", "high", "coverage", "could_hide", "delta_e", "verdict", "expected_delta_ph",
    "as_expected", "capacity_m", "capacity_low_m", "capacity_high_m", "capacity_theory_m",
    "times_water_low", "times_water_high", "flags", "reason",
)  # fmt: skip


def comparison_text(result: Comparison) -> str:
    """Return the pairs of photographs as lines for a person.

    Parameters
    ----------
    result : Comparison

    Returns
    -------
    str
        A block a pair: both tubes, the verdict's sentence, what sharing a picture was worth.
    """
    lines: list[str] = []
    for pair in result.pairs:
        lines += [*([""] if lines else []), *pair_lines(pair)]
    return "\n".join([*lines, *_flag_lines(result.pairs)])


def pair_lines(pair: PairResult) -> list[str]:
    """Return one pair as lines."""
    change = pair.change
    title = f"{pair.label}: {change.before.file} against {change.after.file}"
    if change.before.file == change.after.file:
        title = f"{pair.label} of {change.before.file}"
    lines = [title + (f", after {pair.added}" if pair.added else "")]
    for word, seen in (("before", change.before), ("after", change.after)):
        lines.append(f"  {word:<7}{reading_line(seen.reading)}")
    word = pair.judgement.colour or pair.judgement.verdict
    lines.append(f"  {word.upper():<10} {pair.judgement.reason}")
    lines += [f"             {text}" for text in _details(pair)]
    return lines


def _details(pair: PairResult) -> list[str]:
    """Return what stands below the verdict."""
    change = pair.change
    details = []
    if change.interval is not None and change.independent is not None:
        details.append(_sharing(change.interval, change.independent, pair))
    if not pair.judgement.colour and change.same_white:
        details.append(f"the colour: {colours_text(change)}, {change.delta_e:.1f} CIEDE2000 apart")
    if pair.capacity is not None:
        details.append(capacity_text(pair.capacity))
    if pair.resistance is not None:
        details.append(resistance_text(pair.resistance))
    details += [f"! {note}" for note in (*pair.notes, *([pair.doubt] if pair.doubt else []))]
    return details


def _sharing(own: Interval, alone: Interval, pair: PairResult) -> str:
    """Say what the shared picture or card was worth."""
    shared = "picture" if pair.change.same_picture else "card" if pair.change.same_card else ""
    if pair.change.before.with_standards or pair.change.after.with_standards:
        return "standards have taken out what the two readings share, so the uncertainties add up"
    if not shared:
        return "different cards: nothing is shared, so the uncertainties add up"
    if own.width == float("inf") or alone.width == float("inf"):
        return f"one {shared} is shared; the range is open, so it cannot be narrowed by that"
    saved = 100.0 * (1.0 - own.width / alone.width)
    if saved < 1.0:
        return f"one {shared} is shared, but the two colours are too unlike for their errors to cancel"
    return (
        f"one {shared} is shared; without that the range would be {range_text(alone)} "
        f"(it is {saved:.0f} % narrower)"
    )


def capacity_text(capacity: BufferCapacity) -> str:
    """Write buffer capacity beside its theory."""
    text = f"buffer capacity {capacity} per pH unit"
    if capacity.theory is not None:
        text += f"; the recipe gives {two_digits(1000.0 * capacity.theory)} mM"
    return text


def resistance_text(limits: tuple[float | None, float | None]) -> str:
    """Write how many times less than water the liquid moved."""
    low, high = limits
    if low is None and high is None:
        return "how it compares with plain water cannot be said"
    if low is not None and high is None:
        return f"moved at least {two_digits(low)} times less than plain water"
    assert high is not None  # one of them is there
    if low is None:
        return f"moved at most {two_digits(high)} times less than plain water"
    return f"moved {two_digits(low)} to {two_digits(high)} times less than plain water"


def _flag_lines(pairs: Sequence[PairResult]) -> list[str]:
    """Return every flag once, with its meaning and remedy."""
    present = {flag for pair in pairs for flag in pair.flags}
    lines = [f"{name}: {flag_sentence(name)}" for name in FLAGS if name in present]
    return ["", *lines] if lines else []


# ---------------------------------------------------------------- experiments


def experiment_text(result: ExperimentResult, *, details: bool = False) -> str:
    """Return an experiment as a table for a person, with a sentence for every addition.

    Parameters
    ----------
    result : ExperimentResult
    details : bool
        Also the lines that `comparison_text` writes for every pair.

    Returns
    -------
    str
    """
    lines = [result.experiment.title]
    lines += [f"CAUTION {text}" for text in result.cautions]
    lines += ["", *_table(result), ""]
    for one in result.samples:
        lines += _sample_lines(one)
    if details:
        for pair in result.pairs:
            lines += ["", *pair_lines(pair)]
    return "\n".join([*lines, *_flag_lines(result.pairs)])


def _table(result: ExperimentResult) -> list[str]:
    """One row a stage: start, addition, end, change, verdict, capacity, comparison with water."""
    head = (
        "sample",
        "pH before",
        "added",
        "pH after",
        "change",
        "expected",
        "verdict",
        "mM per pH",
        "times water",
    )
    rows: list[tuple[str, ...]] = [head]
    for one in result.samples:
        for stage in one.stages:
            rows.append(_row(one, stage))
        if not one.stages:
            rows.append((one.sample.name, _ph(one.start.observation.reading), *[""] * 7))
    widths = [max(len(row[col]) for row in rows) for col in range(len(head))]
    lines = [
        "  ".join(cell.ljust(wide) for cell, wide in zip(row, widths, strict=True)).rstrip() for row in rows
    ]
    lines.insert(1, "  ".join("-" * wide for wide in widths))
    return lines


def _row(one: SampleResult, stage: PairResult) -> tuple[str, ...]:
    """Cells of one stage."""
    change, judged = stage.change, stage.judgement
    seen = "no pH" if change.interval is None else range_text(change.interval).rpartition(",")[0]
    expected = "" if judged.expected is None else signed(judged.expected.change, 2)
    capacity = "" if stage.capacity is None else str(stage.capacity).replace(" mM", "")
    return (
        one.sample.name,
        _ph(change.before.reading),
        stage.added,
        _ph(change.after.reading),
        seen,
        expected,
        judged.colour or judged.verdict,
        capacity,
        "" if stage.resistance is None else _times(stage.resistance),
    )


def _times(limits: tuple[float | None, float | None]) -> str:
    low, high = limits
    if low is None and high is None:
        return "-"
    if low is not None and high is None:
        return f"{two_digits(low)} or more"
    assert high is not None  # one of them is there
    return f"up to {two_digits(high)}" if low is None else f"{two_digits(low)} to {two_digits(high)}"


def _ph(reading: Reading) -> str:
    """PH in a cell."""
    if reading.interval is None:
        return "no pH"
    if reading.ph is not None:
        return format_ph(reading.ph)
    return str(reading.interval).rpartition(",")[0]


def _sample_lines(one: SampleResult) -> list[str]:
    """The sentences of one sample."""
    lines = [one.sample.name]
    count = len(one.start.members)
    if one.start_ph_expected is not None:
        known = Interval(
            one.start_ph_expected - 1.96 * (one.start_ph_std or 0.0),
            one.start_ph_expected + 1.96 * (one.start_ph_std or 0.0),
            0.95,
        )
        lines.append(f"  starts at pH {_ph(one.start.observation.reading)}; its recipe gives {known}")
    if count > 1:
        extra = f", scatter between them {one.start.scatter_ph:.2f}" if one.start.scatter_ph > 0.005 else ""
        lines.append(f"  {count} readings before the addition are combined{extra}")
    for stage in one.stages:
        lines.append(f"  after {stage.added}: {stage.judgement.reason}")
        lines += [f"  ! {note}" for note in stage.notes]
    if not one.stages:
        lines += [f"  ! {text}" for text in (*one.start.outliers, one.start.conflict) if text]
    return lines


# ---------------------------------------------------------------- for programs


def comparison_json(result: Comparison | ExperimentResult) -> str:
    """Return the JSON object that the contract documents, ASCII only.

    Parameters
    ----------
    result : Comparison or ExperimentResult

    Returns
    -------
    str
    """
    return json.dumps(result.to_dict(), allow_nan=False)


def comparison_rows(result: Comparison | ExperimentResult) -> list[dict[str, Any]]:
    """Return one row a pair.

    Parameters
    ----------
    result : Comparison or ExperimentResult

    Returns
    -------
    list of dict
        Keys as in `COMPARISON_COLUMNS`; what is not known is "".
    """
    return [_cells(pair.to_dict()) for pair in result.pairs]


def _cells(pair: dict[str, Any]) -> dict[str, Any]:
    """Flatten one pair."""
    cells: dict[str, Any] = {
        "label": pair["label"],
        "added": pair["added"],
        "chart": pair["before"]["chart"],
        "delta_ph": pair["delta_ph"],
        "coverage": pair["coverage"],
        "could_hide": pair["could_hide"],
        "delta_e": pair["delta_e"],
        "verdict": pair.get("colour_verdict") or pair["verdict"],
        "flags": " ".join(pair["flags"]),
        "reason": pair["reason"],
    }
    for side in ("before", "after"):
        tube = pair[side]
        cells |= {f"{side}_photo": tube["photo"], f"{side}_tube": tube["tube"], f"{side}_ph": tube["ph"]}
        cells[f"{side}_low"], cells[f"{side}_high"] = tube["range"] or (None, None)
    cells["low"], cells["high"] = pair["range"] or (None, None)
    expected = pair.get("expected")
    if expected is not None:
        cells |= {"expected_delta_ph": expected["delta_ph"], "as_expected": expected["agrees"]}
    capacity = pair.get("buffer_capacity")
    if capacity is not None:
        low, high = capacity["range"] or (None, None)
        cells |= {"capacity_m": capacity["capacity"], "capacity_low_m": low, "capacity_high_m": high}
        cells["capacity_theory_m"] = capacity["theory"]
    if "times_water" in pair:
        cells["times_water_low"], cells["times_water_high"] = pair["times_water"]
    return {key: "" if cells.get(key) is None else cells[key] for key in COMPARISON_COLUMNS}


def write_comparison(stream: TextIO, result: Comparison | ExperimentResult) -> None:
    """Write the pairs as CSV.

    Parameters
    ----------
    stream : text stream
        Opened with ``newline=""``.
    result : Comparison or ExperimentResult
    """
    writer = csv.DictWriter(stream, COMPARISON_COLUMNS, lineterminator="\n")
    writer.writeheader()
    writer.writerows(comparison_rows(result))
