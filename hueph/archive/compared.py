"""What a record says about expected pH and about changes, in the words of the commands that found it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from hueph.comparing.capacity import BufferCapacity
from hueph.comparing.wording import range_text, signed
from hueph.comparison_report import capacity_text, resistance_text
from hueph.interval import Interval, format_ph
from hueph.results import ExpectedComparison

__all__ = ["PairView", "expected_of", "pair_lines", "pair_view", "unmatched_of"]


@dataclass(frozen=True, slots=True)
class PairView:
    """One compared pair of tubes, in words.

    Attributes
    ----------
    label, added : str
        What the pair is called; what was added in between, "" when not stated.
    before, after : str
        Photograph, tube and reading.
    change : str
        Median and range, "" when no pH can be stated.
    expected : str
        Change that the recipe expects, "" without one.
    verdict, reason : str
    details : tuple of str
        Buffer capacity, comparison with water, notes, flags; a sentence each.
    """

    label: str
    added: str
    before: str
    after: str
    change: str
    expected: str
    verdict: str
    reason: str
    details: tuple[str, ...]


def expected_of(tube: Mapping[str, Any]) -> ExpectedComparison | None:
    """Return what a recorded tube was compared with, None when it was with nothing.

    Parameters
    ----------
    tube : mapping
        A tube as ``hueph read --json`` prints it, or an entry of "expected_unmatched".

    Returns
    -------
    ExpectedComparison or None
    """
    known = tube.get("expected")
    return None if known is None else _expected(known)


def unmatched_of(payload: Mapping[str, Any]) -> list[tuple[int, ExpectedComparison]]:
    """Return what was expected in tubes that were not found in the photograph, by number."""
    return [(int(entry["tube"]), _expected(entry)) for entry in payload.get("expected_unmatched", [])]


def _expected(known: Mapping[str, Any]) -> ExpectedComparison:
    """Undo `ExpectedComparison.to_dict`."""
    coverage, spread = float(known["coverage"]), known["difference_range"]
    return ExpectedComparison(
        verdict=known["verdict"],
        step=known["step"],
        source=known["source"],
        ph=known["ph"],
        ph_std=known["ph_std"],
        interval=_interval(known["range"], coverage),
        difference=known["difference"],
        difference_interval=None if spread is None else _interval(spread, coverage),
        joint_std=known["joint_std"],
        causes=tuple(known["causes"]),
        note=known["note"],
    )


def _interval(limits: Sequence[float | None], coverage: float) -> Interval:
    low, high = limits
    return Interval(low, high, coverage)


def pair_view(pair: Mapping[str, Any]) -> PairView:
    """Put one pair into words.

    Parameters
    ----------
    pair : mapping
        As ``hueph compare --json`` prints it.

    Returns
    -------
    PairView
    """
    coverage = float(pair.get("coverage") or 0.95)
    spread, change = pair.get("range"), pair.get("delta_ph")
    seen = "" if spread is None else range_text(_interval(spread, coverage))
    if change is not None:
        seen = f"{signed(change)} ({seen})" if seen else signed(change)
    expected = pair.get("expected")
    return PairView(
        label=str(pair.get("label", "")),
        added=str(pair.get("added", "")),
        before=_tube(pair["before"]),
        after=_tube(pair["after"]),
        change=seen,
        expected="" if expected is None else signed(expected["delta_ph"], 2),
        verdict=str(pair.get("colour_verdict") or pair.get("verdict", "")),
        reason=str(pair.get("reason", "")),
        details=tuple(_details(pair)),
    )


def _tube(tube: Mapping[str, Any]) -> str:
    """Say which tube of which photograph, and what was read."""
    where = " ".join(text for text in (str(tube.get("photo", "")), f"tube {tube.get('tube', '?')}") if text)
    if tube.get("ph") is not None:
        return f"{where}: pH {format_ph(float(tube['ph']))}"
    if tube.get("range"):
        interval = _interval(tube["range"], tube.get("coverage") or 0.95)
        return f"{where}: pH {interval}".rpartition(",")[0]
    return f"{where}: no pH"


def _details(pair: Mapping[str, Any]) -> list[str]:
    """Return the sentences below a verdict."""
    details = []
    known = pair.get("buffer_capacity")
    if known is not None:
        low, high = known["range"] or (None, None)
        capacity = BufferCapacity(
            known["added_molar"], known["capacity"], low, high, known["theory"], known["theory_start"]
        )
        details.append(capacity_text(capacity))
    if pair.get("times_water") is not None:
        low, high = pair["times_water"]
        details.append(resistance_text((low, high)))
    details += [f"! {note}" for note in pair.get("notes", [])]
    if pair.get("flags"):
        details.append(f"flags: {', '.join(pair['flags'])}")
    return details


def pair_lines(pair: Mapping[str, Any]) -> list[str]:
    """Return one pair as lines for a person.

    Parameters
    ----------
    pair : mapping
        As ``hueph compare --json`` prints it.

    Returns
    -------
    list of str
    """
    view = pair_view(pair)
    lines = [f"pair      {view.label}{f', after {view.added}' if view.added else ''}"]
    lines += [f"          before {view.before}; after {view.after}"]
    lines.append(f"          {view.verdict.upper()}  {view.reason}")
    return lines + [f"          {text}" for text in view.details]
