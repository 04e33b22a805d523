"""Read the pH of every tube of a photograph: locate, balance, measure, estimate."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from hueph._checks import check_coverage
from hueph._types import FloatArray, PathLike, triple
from hueph.budget import reading_budget
from hueph.calibration import UNLIKE, IndicatorCalibration, calibration_of
from hueph.chart import Chart
from hueph.errors import InputError
from hueph.estimating.features import TubeEvidence, all_finite, neighbour_tint
from hueph.estimating.posterior import PooledEvidence, Posterior, pool_tubes, spread, state
from hueph.estimating.widening import find_situation, load_widening
from hueph.judging import chart_is_alike, distances_from_chart, quality_flags, refusal_flags
from hueph.locate.types import StripLocation, TubeLocation
from hueph.locate.whole import locate_all
from hueph.measuring import BLACK_FLOOR, TubeMeasurement, measure_strip, measure_tubes
from hueph.photo import Photo, load_photo
from hueph.results import PatchReading, PhotoReadings, Points, Reading
from hueph.white_balance import PictureColours, balance_picture, linear_srgb_to_lab

__all__ = ["PatchReading", "PhotoReadings", "Reading", "read_photo", "tube_evidence"]

# Leave-one-patch-out residual above which the print in the picture is hardly the chart of the file.
STRIP_MISFIT_DELTA_E = 12.0


def read_photo(
    photo: PathLike | Photo,
    chart: Chart,
    *,
    coverage: float = 0.95,
    tubes: Sequence[tuple[float, float, float, float]] | None = None,
    strip: Sequence[float] | None = None,
    budget: bool = False,
) -> PhotoReadings:
    """Read the pH of every tube in a photograph.

    Parameters
    ----------
    photo : path or Photo
        The picture.
    chart : Chart
        The chart printed on the card in the picture.
    coverage : float
        Probability each range is to hold.
    tubes : sequence of (x, y, w, h), optional
        Liquids outlined by hand, pixels of the full upright picture. Default: found.
    strip : sequence of 8 numbers, optional
        x, y of the four corners around all patches, from the top-left of the upright card
        clockwise, pixels of the full upright picture. Default: found.
    budget : bool
        Also work out where each reading's uncertainty comes from (`Reading.budget`; slower).

    Returns
    -------
    PhotoReadings
        Without a strip in the picture the tubes carry colours and the flag "no-strip" but no pH.

    Raises
    ------
    PhotoError
        The file cannot be used as a photograph.
    StripNotFound, TubesNotFound
        Nothing to read: neither strip nor tubes, or no tubes.
    InputError
        No chart, or a coverage or an outline that breaks its rule.

    Notes
    -----
    Steps: locate the strip and the tubes; measure both and the light around them; set the tube
    over its backing beside the patches over their paper; weigh every candidate pH
    (`hueph.estimating`); say what may be said.

    Examples
    --------
    >>> from hueph import load_chart, read_photo
    >>> chart = load_chart("reference_charts/sample-universal-strip/chart.toml")  # doctest: +SKIP
    >>> for reading in read_photo("samples/five-tubes.jpg", chart):  # doctest: +SKIP
    ...     print(reading)
    """
    share = check_coverage(coverage)
    if not isinstance(chart, Chart):
        raise InputError(
            f"reading a photograph needs a chart as load_chart returns it, got {type(chart).__name__}"
        )
    picture = photo if isinstance(photo, Photo) else load_photo(photo)
    located = locate_all(picture, chart, corners=None if strip is None else _corners(strip), boxes=tubes)
    picture, strip_location, locations = located.photo, located.strip, located.tubes
    colours = _colours_of(picture, chart, strip_location)
    measured = measure_tubes(picture, strip_location, chart, locations)
    if strip_location is None or colours is None:
        readings = tuple(
            _uncalibrated(number, picture, location, tube)
            for number, (location, tube) in enumerate(zip(locations, measured, strict=True), start=1)
        )
        why = str(located.no_strip)
        return _collect(picture, chart, None, None, readings, share, message=why, seen=located.flags)
    evidence = tube_evidence(colours, measured, locations)
    standards = calibration_of(chart)
    labs = colours.corrected_lab(np.stack([known.tube for known in evidence]))
    measurable = [known for known in evidence if all_finite(known)]
    pooled = pool_tubes(measurable, together=True)
    experts = iter(zip(pooled, distances_from_chart(colours, measurable), strict=True))
    readings = tuple(
        _read_tube(
            number,
            picture,
            colours,
            location,
            tube,
            known,
            lab,
            next(experts) if all_finite(known) else None,
            standards,
            share,
            budget,
        )
        for number, (location, tube, known, lab) in enumerate(
            zip(locations, measured, evidence, labs, strict=True), start=1
        )
    )
    unlike = bool(evidence) and standards is not None and _is_unlike(standards, evidence[0], picture)
    return _collect(
        picture, chart, strip_location, colours, readings, share, unlike=unlike, seen=located.flags
    )


def _colours_of(picture: Photo, chart: Chart, strip: StripLocation | None) -> PictureColours | None:
    """Measure and balance the strip; None without one."""
    return None if strip is None else balance_picture(picture, chart, measure_strip(picture, chart, strip))


def _is_unlike(standards: IndicatorCalibration, evidence: TubeEvidence, picture: Photo) -> bool:
    """Say whether no photograph with standards looks like this one."""
    return standards.likeness(evidence, picture.sha256) < UNLIKE


def _corners(strip: Sequence[float]) -> FloatArray:
    """Return the corners of an outlined strip, (4, 2)."""
    try:
        numbers = np.asarray(strip, dtype=np.float64)
    except (TypeError, ValueError):
        numbers = np.empty(0)
    if numbers.size != 8:
        raise InputError(
            f"outlining the strip by hand needs 8 numbers, x and y of its four corners, got {strip!r}"
        )
    return numbers.reshape(4, 2)


def tube_evidence(
    colours: PictureColours, tubes: Sequence[TubeMeasurement], locations: Sequence[TubeLocation]
) -> list[TubeEvidence]:
    """Gather what bears on each tube (shared with the scripts that score alternatives)."""
    if not tubes:
        return []
    usable = colours.strip.usable
    paper_light = colours.strip.paper.mean(axis=0)
    ratios = np.stack([tube.colour / np.maximum(tube.backing, BLACK_FLOOR) for tube in tubes])
    places = np.stack([location.liquid.mean(axis=0) for location in locations])
    bores = np.array([_bore(location) for location in locations])
    tints = neighbour_tint(np.nan_to_num(ratios, nan=1.0), places, bores)
    return [
        TubeEvidence(
            ph=colours.chart.ph[usable],
            patches=colours.patches[usable],
            artwork=colours.artwork[usable],
            tube=ratio,
            backing=tube.backing / np.maximum(paper_light, BLACK_FLOOR) * colours.paper,
            glass=tube.glass,
            paper_level=float(colours.strip.paper.max()),
            noise=float(np.sqrt(np.trace(tube.cov)) / max(float(tube.colour.sum()), 1e-6)),
            low=tube.clipped_low,
            high=tube.clipped_high,
            correction=colours.correction,
            neighbours=tint,
        )
        for tube, ratio, tint in zip(tubes, ratios, tints, strict=True)
    ]


def _bore(location: TubeLocation) -> float:
    """Width of the liquid, pixels of the working picture."""
    top_left, top_right = location.liquid[:2]
    return float(np.linalg.norm(top_right - top_left))


def _read_tube(
    number: int,
    photo: Photo,
    colours: PictureColours,
    location: TubeLocation,
    tube: TubeMeasurement,
    evidence: TubeEvidence,
    lab: FloatArray,
    judged: tuple[PooledEvidence, float] | None,
    standards: IndicatorCalibration | None,
    coverage: float,
    budget: bool,
) -> Reading:
    """Estimate one tube and decide what may be said of it.

    `judged` is what the experts say and how far it is from the chart; None when it cannot be measured.
    """
    flags = set(location.flags) | quality_flags(colours, location, tube, evidence)
    if judged is None:
        flags.add("small-core")
        return _refused(number, photo, location, lab, None, flags)
    pooled, delta_e = judged[0], float(judged[1])
    situation = find_situation(pooled, flags, colours.residual_delta_e)
    widen = load_widening().temperature(situation)
    posterior = spread(pooled, widen=widen)
    refusal = refusal_flags(evidence, posterior, lab, delta_e, colours.chart)
    if refusal:
        return _refused(number, photo, location, lab, delta_e, flags | refusal, posterior)
    if standards is not None:
        posterior = standards.refine(evidence, pooled, photo=photo.sha256, widen=widen)
    statement = state(posterior, coverage=coverage)
    if statement.bound is not None:
        flags.add("beyond-chart")
    if statement.ambiguous:
        flags.add("ambiguous")
    elif chart_is_alike(colours.chart, statement.interval):
        flags.add("chart-alike")
    return Reading(
        tube=number,
        liquid=_points(photo, location.liquid),
        core=_points(photo, location.core),
        ph=statement.ph,
        ph_std=None if statement.ph is None else posterior.std,
        interval=statement.interval,
        bound=statement.bound,
        flags=tuple(sorted(flags)),
        lab=triple(lab),
        delta_e=delta_e,
        grid=posterior.grid,
        posterior=posterior.density,
        budget=reading_budget(evidence, tube, colours, posterior, standards=standards, photo=photo.sha256)
        if budget
        else {},
    )


def _refused(
    number: int,
    photo: Photo,
    location: TubeLocation,
    lab: FloatArray,
    delta_e: float | None,
    flags: set[str],
    posterior: Posterior | None = None,
) -> Reading:
    """Make a reading that states no pH."""
    empty = np.zeros(0)
    return Reading(
        tube=number,
        liquid=_points(photo, location.liquid),
        core=_points(photo, location.core),
        ph=None,
        ph_std=None,
        interval=None,
        bound=None,
        flags=tuple(sorted(flags)),
        lab=triple(lab),
        delta_e=delta_e,
        grid=empty if posterior is None else posterior.grid,
        posterior=empty if posterior is None else posterior.density,
    )


def _uncalibrated(number: int, photo: Photo, location: TubeLocation, tube: TubeMeasurement) -> Reading:
    """Colour of a tube relative to its backing, in a picture without a strip."""
    ratio = tube.colour / np.maximum(tube.backing, BLACK_FLOOR)
    ratio = np.where(np.isfinite(ratio), ratio, tube.colour)
    lab = linear_srgb_to_lab(np.maximum(ratio @ photo.to_linear_srgb.T, 0.0))
    return _refused(number, photo, location, lab, None, set(location.flags) | {"no-strip"})


def _collect(
    photo: Photo,
    chart: Chart,
    strip: StripLocation | None,
    colours: PictureColours | None,
    readings: tuple[Reading, ...],
    coverage: float,
    message: str = "",
    *,
    unlike: bool = False,
    seen: frozenset[str] = frozenset(),
) -> PhotoReadings:
    """Put the readings of one photograph together."""
    from hueph import __version__

    flags = set(photo.flags | seen)
    patches: tuple[PatchReading, ...] = ()
    if strip is not None and colours is not None:
        flags |= set(strip.flags)
        patches = tuple(
            PatchReading(patch.ph, _points(photo, quad), triple(colour) if usable else None)
            for patch, quad, colour, usable in zip(
                chart.patches, strip.patches, colours.patches, colours.strip.usable, strict=True
            )
        )
        if not colours.strip.usable.all():
            flags.add("strip-patch-hidden")
        if colours.residual_delta_e > STRIP_MISFIT_DELTA_E:
            flags.add("strip-misfit")
    if unlike:
        flags.add("standards-unlike")
    options: dict[str, Any] = {"coverage": coverage}
    if chart.standards:
        options["standards"] = len(chart.standards)
    return PhotoReadings(
        file=photo.file,
        sha256=photo.sha256,
        width=photo.width,
        height=photo.height,
        chart_name=chart.name,
        chart_sha256=chart.sha256,
        patches=patches,
        residual_delta_e=None if colours is None else colours.residual_delta_e,
        tubes=readings,
        flags=tuple(sorted(flags)),
        options=options,
        version=__version__,
        strip_message=message,
    )


def _points(photo: Photo, quad: FloatArray) -> Points:
    """Corner points in full-picture pixels."""
    return tuple((float(x), float(y)) for x, y in photo.to_full(quad))
