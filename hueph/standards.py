"""Calibrate a chart with standards: photographs of tubes of known pH beside it."""

from __future__ import annotations

import csv
import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from hueph._system import system_sentence
from hueph._types import PathLike, triple
from hueph.calibration import IndicatorCalibration, KnownTube, LeftOut, known_tubes
from hueph.chart import Chart, Standard, StandardPhoto
from hueph.errors import InputError
from hueph.estimating.features import BEYOND_PH, TubeEvidence, all_finite
from hueph.estimating.posterior import estimate_posterior
from hueph.flags import flag_sentence
from hueph.judging import distance_from_chart, refusal_flags
from hueph.locate.types import TubeLocation
from hueph.locate.whole import locate_all
from hueph.measuring import measure_strip, measure_tubes
from hueph.photo import Photo, load_photo
from hueph.reading import tube_evidence
from hueph.standards_report import StandardsReport
from hueph.white_balance import PictureColours, balance_picture

__all__ = [
    "BUFFER_STD",
    "Label",
    "LabelledPhoto",
    "calibrate_with_standards",
    "load_standards_table",
    "parse_standard",
]

BUFFER_STD = 0.02
"""Standard uncertainty (k = 1) of a fresh bought buffer solution, pH (common practice, no source)."""

FEWEST_STANDARDS = 2
# Larger than any table of tubes; what is larger is another file, or a device that never ends.
_MAX_TABLE_BYTES = 1_000_000
_COLUMNS = ("photo", "tube", "ph", "uncertainty")
# A label is doubted when it lies this far (pH) outside the range that the chart alone gives with
# 99.8 %: no print error met in simulated workshops reaches that far twice in a hundred.
_DOUBT_PH, _DOUBT_TAIL = 0.7, 0.001
# Standards contradict each other when one is off from what the others predict by this many standard
# uncertainties, and by this much outside its range (pH).
_CONTRADICTION_SCORE, _CONTRADICTION_PH = 3.5, 0.2


@dataclass(frozen=True, slots=True)
class Label:
    """What is known of a tube: its number from the left (from 1), pH and standard uncertainty (k = 1)."""

    tube: int
    ph: float
    ph_std: float


@dataclass(frozen=True, slots=True)
class LabelledPhoto:
    """A photograph with tubes of known pH.

    Attributes
    ----------
    photo : str
        File.
    labels : tuple of Label
    tubes : int or None
        How many tubes the picture holds, when all were listed.
    """

    photo: str
    labels: tuple[Label, ...]
    tubes: int | None = None


def parse_standard(text: str, *, ph_std: float = BUFFER_STD) -> LabelledPhoto:
    """Read PHOTO=4.01,6.86,-,9.18: the pH of every tube, left to right; - for a tube that is no standard.

    Parameters
    ----------
    text : str
    ph_std : float
        Standard uncertainty (k = 1) of the values.

    Returns
    -------
    LabelledPhoto

    Raises
    ------
    InputError
        Not of that form, a pH outside 0 to 14, or an uncertainty that is none.

    Examples
    --------
    >>> parse_standard("buffers.jpg=4.01,-,9.18").labels[1]
    Label(tube=3, ph=9.18, ph_std=0.02)
    """
    photo, equals, values = text.rpartition("=")
    parts = [part.strip() for part in values.split(",")]
    if not equals or not photo.strip() or not all(parts):
        raise InputError(
            "a standard must be given as PHOTO=4.01,6.86,9.18 (tubes left to right, - for a tube that is "
            f"no standard), got {text!r}"
        )
    labels = tuple(
        Label(number, _ph(part, f"{photo}, tube {number}"), _std(ph_std, photo))
        for number, part in enumerate(parts, start=1)
        if part != "-"
    )
    if not labels:
        raise InputError(
            f"reading the standards of {photo}: at least one tube must have a pH, got {values!r}"
        )
    return LabelledPhoto(photo, labels, len(parts))


def load_standards_table(path: PathLike) -> tuple[LabelledPhoto, ...]:
    """Read a CSV file of standards with the columns photo, tube, ph, and if known uncertainty.

    Photographs are looked for beside the table. A tube that is not listed is no standard.

    Parameters
    ----------
    path : path

    Returns
    -------
    tuple of LabelledPhoto
        In the order of the table.

    Raises
    ------
    InputError
        Not readable, more than 1 MB, a column missing, or a value that breaks its rule; the text names the line.
    """
    file = Path(path)
    try:
        with file.open("rb") as stream:
            raw = stream.read(_MAX_TABLE_BYTES + 1)
        if len(raw) > _MAX_TABLE_BYTES:
            raise InputError(
                f"cannot read {file} as a table of standards: it may hold 1 MB, this file is larger; check the name"
            )
        text = raw.decode("utf-8-sig")
    except OSError as error:
        raise InputError(f"cannot read the standards {file}: {system_sentence(error)}") from error
    except UnicodeDecodeError as error:
        raise InputError(f"cannot read {file} as a table of standards: it must be UTF-8 text") from error
    rows = csv.DictReader(text.splitlines(), skipinitialspace=True)
    names = [name.strip() for name in rows.fieldnames or ()]
    rows.fieldnames = names
    if missing := [name for name in _COLUMNS[:3] if name not in names]:
        raise InputError(
            f"reading the standards {file}: the first line must name the columns photo, tube, ph "
            f"(and uncertainty), found no {missing[0]}"
        )
    found: dict[str, list[Label]] = {}
    for row in rows:
        where = f"{file}, line {rows.line_num}"
        photo = (row["photo"] or "").strip()
        if not photo:
            raise InputError(f"{where}: photo must name a file, found nothing")
        given = (row.get("uncertainty") or "").strip()
        std = BUFFER_STD if not given else _std(_number(given, where, "uncertainty"), where)
        tube = _number((row["tube"] or "").strip(), where, "tube")
        if tube != int(tube) or tube < 1:
            raise InputError(f"{where}: tube must be its number from the left, from 1, got {row['tube']!r}")
        labels = found.setdefault(str(file.parent / photo), [])
        if any(label.tube == tube for label in labels):
            raise InputError(f"{where}: tube {tube:g} of {photo} is listed twice; list each tube once")
        labels.append(Label(int(tube), _ph((row["ph"] or "").strip(), where), std))
    return tuple(LabelledPhoto(photo, tuple(labels)) for photo, labels in found.items())


def _number(text: str, where: str, what: str) -> float:
    """Read a finite number."""
    try:
        value = float(text)
    except ValueError:
        value = math.nan
    if not math.isfinite(value):
        raise InputError(f"{where}: {what} must be a number, got {text!r}")
    return value


def _ph(text: str, where: str) -> float:
    """Read the pH of a standard."""
    value = _number(text, where, "the pH of a standard")
    if not 0.0 <= value <= 14.0:
        raise InputError(f"{where}: the pH of a standard must lie between 0 and 14, got {value:g}")
    return value


def _std(value: float, where: str) -> float:
    """Check the uncertainty of a label."""
    if not (math.isfinite(value) and 0.0 <= value <= 1.0):
        raise InputError(
            f"{where}: the uncertainty of a standard's pH must lie between 0 and 1 pH units, got {value:g}"
        )
    return float(value)


def calibrate_with_standards(
    chart: Chart, photos: Sequence[LabelledPhoto], *, trust_labels: bool = False
) -> StandardsReport:
    """Refine a chart with photographs of tubes of known pH beside it.

    Parameters
    ----------
    chart : Chart
        May hold standards already: they are kept, except those of a photograph given again.
    photos : sequence of LabelledPhoto
    trust_labels : bool
        Do not refuse labels that the colours seem to contradict.

    Returns
    -------
    StandardsReport
        The chart with its standards, and what readings with it can be trusted to.

    Raises
    ------
    InputError
        Labels that do not fit the tubes found, fewer than two standards, a tube that cannot serve,
        or labels that colours or other standards contradict.
    PhotoError, StripNotFound, TubesNotFound
        A photograph cannot be used.
    """
    given: list[tuple[StandardPhoto, list[Standard]]] = []
    for labelled in photos:
        photo, standards = _measured(chart, labelled)
        if any(photo.sha256 == other.sha256 for other, _ in given):
            raise InputError(
                f"calibrating with standards: each photograph may be given once, {labelled.photo} is the same "
                "picture as one before"
            )
        given.append((photo, standards))
    new = {photo.sha256 for photo, _ in given}
    kept = [
        (photo, [standard for standard in chart.standards if standard.photo == number])
        for number, photo in enumerate(chart.standard_photos, start=1)
        if photo.sha256 not in new
    ]
    refined = _with_standards(chart, kept + given)
    if len(refined.standards) < FEWEST_STANDARDS:
        raise InputError(
            f"calibrating {chart.name} with standards: at least {FEWEST_STANDARDS} tubes of known pH are "
            f"needed, found {len(refined.standards)}; add tubes, best spread over the pH you measure"
        )
    calibration = IndicatorCalibration().fit(known_tubes(refined))
    if not trust_labels:
        for tube in calibration.tubes_:
            _check_colour(tube)
        _check_agreement(calibration.left_out(whole_photos=False))
    return StandardsReport(refined, calibration)


def _with_standards(chart: Chart, photos: list[tuple[StandardPhoto, list[Standard]]]) -> Chart:
    """Return a chart with these photographs and their standards, numbered anew."""
    standards = [
        replace(standard, photo=number)
        for number, (_, some) in enumerate(photos, start=1)
        for standard in some
    ]
    return replace(
        chart,
        sha256="",
        edited=False,
        standard_photos=tuple(photo for photo, _ in photos),
        standards=tuple(standards),
    )


def _measured(chart: Chart, labelled: LabelledPhoto) -> tuple[StandardPhoto, list[Standard]]:
    """Measure the standards of one photograph."""
    picture = load_photo(labelled.photo)
    located = locate_all(picture, chart)
    picture, strip, locations = located.photo, located.found_strip(), located.tubes
    colours = balance_picture(picture, chart, measure_strip(picture, chart, strip))
    evidence = tube_evidence(colours, measure_tubes(picture, strip, chart, locations), locations)
    reasons = [_why_not(colours, known) for known in evidence]
    standards = []
    for label in _numbered(labelled, reasons):
        _check_reach(labelled.photo, label, colours)
        if reason := reasons[label.tube - 1]:
            raise InputError(
                f"reading the standards of {labelled.photo}: a standard must be readable, tube {label.tube} is "
                f"not: {flag_sentence(reason)}; or leave it out (-)"
            )
        standards.append(_standard(label, picture, locations[label.tube - 1], evidence[label.tube - 1]))
    any_tube = evidence[0]
    photo = StandardPhoto(
        file=Path(picture.file).name,
        sha256=picture.sha256,
        to_linear_srgb=tuple(float(value) for value in np.asarray(picture.to_linear_srgb).ravel()),
        paper_level=any_tube.paper_level,
        patch_ph=tuple(float(ph) for ph in any_tube.ph),
        patches=tuple(triple(np.clip(colour, 0.0, 4.0)) for colour in any_tube.patches),
    )
    return photo, standards


def _standard(label: Label, picture: Photo, location: TubeLocation, known: TubeEvidence) -> Standard:
    """Put down one standard as it was seen."""
    (x, y) = picture.to_full(location.liquid.mean(axis=0)[None])[0]
    seen_glass = bool(np.isfinite(known.glass).all())
    return Standard(
        photo=1,
        tube=label.tube,
        at=(float(x), float(y)),
        ph=label.ph,
        ph_std=label.ph_std,
        liquid=triple(np.clip(known.tube, 0.0, 4.0)),
        backing=triple(np.clip(known.backing, 0.0, 4.0)),
        glass=triple(np.clip(known.glass, 0.0, 4.0)) if seen_glass else None,
        noise=known.noise,
        dark=triple(known.low),
        bright=triple(known.high),
        neighbours=triple(np.clip(known.neighbours, -1.0, 4.0)),
    )


def _numbered(labelled: LabelledPhoto, reasons: Sequence[str]) -> tuple[Label, ...]:
    """Return the labels with the numbers of the tubes found; what cannot be read need not be listed.

    `reasons` says for each tube found why it cannot be read, "" when it can.
    """
    found = len(reasons)
    readable = [number for number, reason in enumerate(reasons, start=1) if not reason]
    if labelled.tubes is not None and labelled.tubes != found:
        if labelled.tubes != len(readable):
            raise InputError(
                f"reading the standards of {labelled.photo}: give one pH for each tube, left to right, and - for "
                f"a tube that is no standard; {_tubes(found)} found, {len(readable)} of them readable, and "
                f"{labelled.tubes} labels were given; look at the overlay of hueph read"
            )
        return tuple(replace(label, tube=readable[label.tube - 1]) for label in labelled.labels)
    highest = max(label.tube for label in labelled.labels)
    if highest > found:
        raise InputError(
            f"reading the standards of {labelled.photo}: tube {highest} is listed, but only {_tubes(found)} "
            "found; look at the overlay of hueph read"
        )
    return labelled.labels


def _tubes(count: int) -> str:
    """Return "1 tube was" or "3 tubes were"."""
    return "1 tube was" if count == 1 else f"{count} tubes were"


def _check_reach(photo: str, label: Label, colours: PictureColours) -> None:
    """Refuse a pH out of the chart's reach."""
    low, high = float(colours.chart.ph[0]) - BEYOND_PH, float(colours.chart.ph[-1]) + BEYOND_PH
    if not low <= label.ph <= high:
        raise InputError(
            f"reading the standards of {photo}: the pH of a standard must lie within {BEYOND_PH:g} of the "
            f"chart's ends, {low:g} to {high:g}, tube {label.tube} has {label.ph:g}; leave it out (-)"
        )


def _why_not(colours: PictureColours, known: TubeEvidence) -> str:
    """Return the flag that forbids reading a tube, "" when it can be read."""
    if not all_finite(known):
        return "small-core"
    lab = colours.corrected_lab(known.tube)
    distance = distance_from_chart(colours, known)
    return min(refusal_flags(known, estimate_posterior(known), lab, distance, colours.chart), default="")


def _check_colour(tube: KnownTube) -> None:
    """Refuse a label far outside of what the tube's colour allows."""
    seen = estimate_posterior(tube.evidence)
    low, high = seen.quantile(_DOUBT_TAIL), seen.quantile(1.0 - _DOUBT_TAIL)
    if not low - _DOUBT_PH <= tube.ph <= high + _DOUBT_PH:
        raise InputError(
            f"{tube.name} cannot be right: labelled pH {tube.ph:g}, but by the printed chart its colour means "
            f"{max(low, 0.0):.1f} to {high:.1f}; check the order of the labels and the chart, or add --trust-labels"
        )


def _check_agreement(left_out: tuple[LeftOut, ...]) -> None:
    """Refuse a standard that the others contradict; the worst is named."""
    worst = max(left_out, key=lambda one: abs(one.score) / one.score_std)
    low, high = worst.refined.quantile(_DOUBT_TAIL), worst.refined.quantile(1.0 - _DOUBT_TAIL)
    outside = max(low - worst.tube.ph, worst.tube.ph - high)
    if abs(worst.score) <= _CONTRADICTION_SCORE * worst.score_std or outside <= _CONTRADICTION_PH:
        return
    others = [one.tube for one in left_out if one is not worst]
    nearest = min(others, key=lambda other: abs(other.ph - worst.tube.ph))
    raise InputError(
        f"the standards contradict each other: {worst.tube.name} is labelled pH {worst.tube.ph:g}, but by its "
        f"colour beside the others (nearest: {nearest.name}, pH {nearest.ph:g}) it is {low:.1f} to {high:.1f}; "
        "check both labels, or add --trust-labels"
    )
