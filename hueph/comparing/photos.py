"""Compare the tubes of photographs: before and after, or a series."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from hueph._checks import check_coverage, check_listed
from hueph._types import PathLike
from hueph.buffering import HOLD_PH, Judgement, judge_change
from hueph.chart import Chart
from hueph.comparing.capacity import BufferCapacity
from hueph.comparing.change import TubeChange, compare_tubes, observe
from hueph.comparing.colours import read_colours
from hueph.comparing.expected import ExpectedChange
from hueph.comparing.pairing import pair_tubes
from hueph.errors import InputError
from hueph.photo import Photo
from hueph.reading import read_photo
from hueph.results import PhotoReadings

__all__ = ["Comparison", "PairResult", "compare_photos", "compare_readings"]

Box = tuple[float, float, float, float]


@dataclass(frozen=True, slots=True, eq=False)
class PairResult:
    """One tube before and after, with the verdict.

    Attributes
    ----------
    change : TubeChange
    judgement : Judgement
    label : str
        What the pair is called.
    added : str
        What was added in between, "" when not stated.
    doubt : str
        Why the pairing may be wrong, "" when nothing speaks against it.
    capacity : BufferCapacity or None
    resistance : tuple of (float or None, float or None), or None
        How many times the change of plain water: low and high limit, None where open.
    notes : tuple of str
        Outliers and conflicts among replicates.
    """

    change: TubeChange
    judgement: Judgement
    label: str
    added: str = ""
    doubt: str = ""
    capacity: BufferCapacity | None = None
    resistance: tuple[float | None, float | None] | None = None
    notes: tuple[str, ...] = ()

    @property
    def flags(self) -> tuple[str, ...]:
        """Flags of both tubes and of the pairing."""
        own = ("pairing-doubtful",) if self.doubt else ()
        return tuple(sorted({*self.change.flags, *own}))

    def to_dict(self) -> dict[str, Any]:
        """Return the JSON-ready form that the contract documents, with keys added since."""
        known = self.change.to_dict() | self.judgement.to_dict()
        known |= {"label": self.label, "added": self.added, "flags": list(self.flags)}
        known |= {"notes": [*self.notes, *([self.doubt] if self.doubt else [])]}
        if self.capacity is not None:
            known["buffer_capacity"] = self.capacity.to_dict()
        if self.resistance is not None:
            known["times_water"] = [
                None if limit is None else float(f"{limit:.3g}") for limit in self.resistance
            ]
        return known


@dataclass(frozen=True, slots=True, eq=False)
class Comparison:
    """Pairs of tubes of two or more photographs.

    Attributes
    ----------
    pairs : tuple of PairResult
        Photograph after photograph, each against the first.
    photos : tuple of PhotoReadings
    """

    pairs: tuple[PairResult, ...]
    photos: tuple[PhotoReadings, ...]

    def to_dict(self) -> dict[str, Any]:
        """Return the JSON-ready form that the contract documents."""
        return {"pairs": [pair.to_dict() for pair in self.pairs]}


def compare_photos(
    photos: Sequence[PathLike | Photo],
    chart: Chart | None,
    *,
    pairs: Sequence[tuple[int, int]] = (),
    labels: Sequence[Sequence[str]] = (),
    coverage: float = 0.95,
    hold_ph: float = HOLD_PH,
    expected_delta: float | None = None,
    tubes: Sequence[Box] | None = None,
    strip: Sequence[float] | None = None,
) -> Comparison:
    """Read photographs and compare each with the first.

    Parameters
    ----------
    photos : sequence of path or Photo
        Before, then one or more after; or a single photograph with `pairs`.
    chart : Chart or None
        None compares colours only.
    pairs : sequence of (int, int), optional
        Tube before, tube after. Default: by position.
    labels : sequence of sequences of str, optional
        Labels of the tubes, left to right; one sequence for all photographs, or one for each.
    coverage : float
        Of the ranges and of the verdicts.
    hold_ph : float
        Largest change that counts as held.
    expected_delta : float, optional
        Change that chemistry expects of a buffer that holds.
    tubes, strip : optional
        Outlines by hand, as for `read_photo`; the same in every photograph.

    Returns
    -------
    Comparison

    Raises
    ------
    PhotoError, StripNotFound, TubesNotFound
        A photograph cannot be used.
    InputError
        The pairing is not clear, or a setting breaks its rule.

    Examples
    --------
    >>> from hueph import compare_photos, find_chart, load_chart
    >>> chart = load_chart(find_chart("sample-universal-strip"))  # doctest: +SKIP
    >>> for pair in compare_photos(["before.jpg", "after.jpg"], chart).pairs:  # doctest: +SKIP
    ...     print(pair.judgement.reason)
    """
    share = check_coverage(coverage)
    check_listed(photos, "photos")
    if not photos:
        raise InputError("comparing photographs: name at least one, none was given")
    read = [
        read_colours(photo, tubes=tubes)
        if chart is None
        else read_photo(photo, chart, coverage=share, tubes=tubes, strip=strip)
        for photo in photos
    ]
    return compare_readings(
        read,
        pairs=pairs,
        labels=labels,
        coverage=share,
        hold_ph=hold_ph,
        expected_delta=expected_delta,
    )


def compare_readings(
    readings: Sequence[PhotoReadings],
    *,
    pairs: Sequence[tuple[int, int]] = (),
    labels: Sequence[Sequence[str]] = (),
    coverage: float = 0.95,
    hold_ph: float = HOLD_PH,
    expected_delta: float | None = None,
) -> Comparison:
    """Compare photographs that have been read; see `compare_photos`.

    Parameters
    ----------
    readings : sequence of PhotoReadings
    pairs : sequence of (int, int), optional
    labels : sequence of sequences of str, optional
    coverage : float
    hold_ph : float
    expected_delta : float, optional
        All as for `compare_photos`.

    Returns
    -------
    Comparison

    Raises
    ------
    InputError
        The pairing is not clear, or a setting breaks its rule.
    """
    names = _labels_for(readings, labels)
    first, later = readings[0], readings[1:] or readings[:1]
    results = []
    for number, after in enumerate(later):
        named = None if names is None else (names[0], names[min(number + 1, len(names) - 1)])
        for pair in pair_tubes(first, after, pairs=pairs, labels=None if pairs else named):
            change = compare_tubes(
                observe(first, pair.before, label=pair.label),
                observe(after, pair.after, label=pair.label),
                coverage=coverage,
            )
            expected = None
            if expected_delta is not None:
                expected = _by_hand(change, expected_delta)
            judgement = judge_change(change, hold_ph=hold_ph, expected=expected)
            label = pair.label or (
                f"tube {pair.before}" if pair.before == pair.after else f"tube {pair.before} to {pair.after}"
            )
            results.append(PairResult(change, judgement, label, doubt=pair.doubt))
    return Comparison(tuple(results), tuple(readings))


def _by_hand(change: TubeChange, expected_delta: float) -> ExpectedChange:
    """Make an expectation of a bare number: from the pH seen before."""
    seen = change.before.reading.ph
    start = 7.0 if seen is None else seen
    return ExpectedChange(before_ph=start, after_ph=start + expected_delta, change_std=0.0)


def _labels_for(
    readings: Sequence[PhotoReadings], labels: Sequence[Sequence[str]]
) -> list[Sequence[str]] | None:
    """Give every photograph its labels."""
    if not labels:
        return None
    if len(labels) == 1:
        return [labels[0]] * len(readings)
    if len(labels) != len(readings):
        raise InputError(
            f"labelling tubes: give labels once for all photographs or once for each of the {len(readings)}, "
            f"got {len(labels)} lists"
        )
    return list(labels)
