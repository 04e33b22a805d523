"""Score readings against the truth of rendered photographs.

Conventions, stated with every table:

- A located tube belongs to the true tube whose liquid it overlaps most, when their intersection over
  union exceeds 0.5; each is used once. A true tube without partner is missed, a located one false.
- A strip is right when every patch of the chart has its centre within half a patch of where it truly
  is; found otherwise, its order is wrong.
- Errors (RMSE, median, bias) are over tubes with a stated pH. An answer open on one side states no
  pH: it is counted in coverage (is the true pH inside its range?) and in its own columns, not in the
  errors. "On the card" leaves out tubes whose true pH lies beyond the card's ends.
- Coverage counts tubes, limits are exact binomial ones (Clopper & Pearson 1934). Tubes of one
  photograph share strip and light, so the true limits are somewhat wider.
- Width is the median over ranges closed on both sides.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

import cv2
import numpy as np
from scipy import stats

from hueph._types import FloatArray
from hueph.estimating.posterior import Posterior
from hueph.results import PhotoReadings, Reading

LEAST_OVERLAP = 0.5
# Densities below this surprise no more.
LEAST_DENSITY = 1e-4


def surprise(posterior: Posterior, ph: float) -> float:
    """Return the negative log density of a posterior at the true pH, nats."""
    density = float(np.interp(ph, posterior.grid, posterior.density))
    return -math.log(max(density, LEAST_DENSITY))


@dataclass(frozen=True)
class TubeScore:
    """One true tube and what was said about it (`reading` None: not located)."""

    file: str
    kind: str
    indicator: str
    chart: str
    number: int
    what: str
    true_ph: float | None
    drops_per_ml: float
    card: tuple[float, float]
    reading: Reading | None = None
    overlap: float = 0.0

    @property
    def is_sample(self) -> bool:
        """It holds an indicator sample, so a pH may be stated."""
        return self.true_ph is not None

    @property
    def beyond(self) -> str | None:
        """Which end of the card the true pH lies beyond, if any."""
        if self.true_ph is None or self.card[0] <= self.true_ph <= self.card[1]:
            return None
        return "below" if self.true_ph < self.card[0] else "above"

    @property
    def error(self) -> float | None:
        """Stated minus true pH."""
        if self.reading is None or self.reading.ph is None or self.true_ph is None:
            return None
        return self.reading.ph - self.true_ph

    @property
    def covered(self) -> bool | None:
        """The true pH lies in the stated range; None where there is no range."""
        if self.reading is None or self.reading.interval is None or self.true_ph is None:
            return None
        return self.reading.interval.contains(self.true_ph)

    @property
    def refused(self) -> bool:
        """Located, and no pH of any kind stated."""
        return self.reading is not None and self.reading.interval is None


@dataclass(frozen=True)
class PhotoScore:
    """One photograph: strip, tubes, false tubes."""

    file: str
    kind: str
    strip: str  # "right", "wrong" or "missing"
    corner_px: float  # median distance of patch corners from the truth, pixels
    tubes: tuple[TubeScore, ...]
    false_tubes: tuple[Reading, ...]
    error: str = ""
    flags: tuple[str, ...] = ()
    seconds: float = field(default=math.nan)


def score_photo(scene: dict[str, Any], file: str, readings: PhotoReadings, seconds: float) -> PhotoScore:
    """Compare the readings of one photograph with its scene."""
    shrink = np.array(scene["size"], dtype=float) / [readings.width or 1, readings.height or 1]
    strip, corner_px = score_strip(scene["patches"], scene["chart_ph"], readings, shrink)
    liquids = [np.array(tube["liquid"], dtype=float) for tube in scene["tubes"]]
    found = [np.array(reading.liquid, dtype=float) * shrink for reading in readings.tubes]
    partner = match(liquids, found)
    tubes = []
    for number, tube in enumerate(scene["tubes"]):
        index, overlap = partner.get(number, (None, 0.0))
        tubes.append(
            TubeScore(
                file=file,
                kind=scene["kind"],
                indicator=scene["indicator"],
                chart=scene["chart"],
                number=number + 1,
                what=tube["what"],
                true_ph=tube["ph"],
                drops_per_ml=tube["drops"] / tube["ml"] if tube.get("drops") else math.nan,
                card=(min(scene["chart_ph"]), max(scene["chart_ph"])),
                reading=None if index is None else readings.tubes[index],
                overlap=overlap,
            )
        )
    used = {index for index, _ in partner.values()}
    false = tuple(reading for index, reading in enumerate(readings.tubes) if index not in used)
    error = "" if readings.error is None else f"{readings.error[0]}: {readings.error[1]}"
    return PhotoScore(
        file, scene["kind"], strip, corner_px, tuple(tubes), false, error, readings.flags, seconds
    )


def score_strip(
    truth: Sequence[Any], chart_ph: Sequence[float], readings: PhotoReadings, shrink: Any
) -> tuple[str, float]:
    """Say whether the strip was found and rightly ordered, and how far its corners are off."""
    if not readings.patches:
        return "missing", math.nan
    true_patches = np.array(truth, dtype=float)
    found = {round(patch.ph, 3): np.array(patch.corners, dtype=float) * shrink for patch in readings.patches}
    if set(found) != {round(ph, 3) for ph in chart_ph}:
        return "wrong", math.nan
    patches = np.array([found[round(ph, 3)] for ph in chart_ph])
    sides = np.linalg.norm(true_patches - np.roll(true_patches, 1, axis=1), axis=2).min(axis=1)
    away = np.linalg.norm(patches.mean(axis=1) - true_patches.mean(axis=1), axis=1)
    # The chart's corners may start elsewhere on the card than the truth's do: nearest ones are compared.
    gaps = np.linalg.norm(patches[:, :, None] - true_patches[:, None], axis=3).min(axis=2)
    return ("right" if (away < 0.5 * sides).all() else "wrong"), float(np.median(gaps))


def overlap(one: Any, other: Any) -> float:
    """Intersection over union of two convex outlines."""
    hulls = [cv2.convexHull(np.asarray(points, dtype=np.float32)) for points in (one, other)]
    shared, _ = cv2.intersectConvexConvex(hulls[0], hulls[1])
    whole = sum(cv2.contourArea(hull) for hull in hulls) - shared
    return float(shared / whole) if whole > 0 else 0.0


def match(truth: Sequence[Any], found: Sequence[Any]) -> dict[int, tuple[int, float]]:
    """Pair true and located outlines, best overlap first: true index to (located index, overlap)."""
    pairs = sorted(
        ((overlap(one, other), i, j) for i, one in enumerate(truth) for j, other in enumerate(found)),
        reverse=True,
    )
    partner: dict[int, tuple[int, float]] = {}
    taken: set[int] = set()
    for share, i, j in pairs:
        if share > LEAST_OVERLAP and i not in partner and j not in taken:
            partner[i] = (j, share)
            taken.add(j)
    return partner


def exact_limits(hits: int, total: int, coverage: float = 0.95) -> tuple[float, float]:
    """Binomial limits of a share.

    References
    ----------
    .. [1] C. J. Clopper, E. S. Pearson, "The use of confidence or fiducial limits illustrated in the
       case of the binomial", Biometrika 26 (1934) 404-413.
    """
    tail = (1 - coverage) / 2
    low = 0.0 if hits == 0 else float(stats.beta.ppf(tail, hits, total - hits + 1))
    high = 1.0 if hits == total else float(stats.beta.ppf(1 - tail, hits + 1, total - hits))
    return low, high


@dataclass(frozen=True)
class Summary:
    """Figures over a group of tubes."""

    tubes: int
    located: int
    stated: int
    rmse: float
    rmse_on_card: float
    median_error: float
    bias: float
    hits: int
    ranges: int
    width: float
    beyond: int
    beyond_one_sided: int
    inside_one_sided: int
    refused_samples: int
    other: int
    other_stated: int


def summarise(tubes: Sequence[TubeScore]) -> Summary:
    """Work out the figures over a group of tubes."""
    errors = np.array([tube.error for tube in tubes if tube.error is not None])
    on_card = np.array([tube.error for tube in tubes if tube.error is not None and tube.beyond is None])
    covered = [tube.covered for tube in tubes if tube.covered is not None]
    ranges = [tube.reading.interval for tube in tubes if tube.reading is not None and tube.is_sample]
    widths = [interval.width for interval in ranges if interval is not None]
    closed = [width for width in widths if math.isfinite(width)]
    beyond = [tube for tube in tubes if tube.beyond is not None]
    one_sided = [tube for tube in tubes if tube.reading is not None and tube.reading.bound is not None]
    other = [tube for tube in tubes if not tube.is_sample]
    return Summary(
        tubes=len(tubes),
        located=sum(tube.reading is not None for tube in tubes),
        stated=len(errors),
        rmse=root_mean_square(errors),
        rmse_on_card=root_mean_square(on_card),
        median_error=float(np.median(np.abs(errors))) if len(errors) else math.nan,
        bias=float(errors.mean()) if len(errors) else math.nan,
        hits=sum(covered),
        ranges=len(covered),
        width=float(np.median(closed)) if closed else math.nan,
        beyond=len(beyond),
        beyond_one_sided=sum(tube in one_sided and _bound(tube) == tube.beyond for tube in beyond),
        inside_one_sided=sum(tube.is_sample and tube.beyond is None for tube in one_sided),
        refused_samples=sum(tube.refused and tube.is_sample for tube in tubes),
        other=len(other),
        other_stated=sum(tube.reading is not None and not tube.refused for tube in other),
    )


def root_mean_square(errors: FloatArray) -> float:
    """Root of the mean square, NaN over nothing."""
    return float(np.sqrt(np.mean(errors**2))) if len(errors) else math.nan


def _bound(tube: TubeScore) -> str | None:
    return None if tube.reading is None else tube.reading.bound
