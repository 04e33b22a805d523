"""The posterior of pH of one tube, and what may be said from it.

Two experts are pooled. The scorer knows from simulated worlds what print, camera, load and glass do
to colours, but its worlds are wider than any one workshop. The plain surface colour(pH, load) in
CAM16-UCS knows nothing of that: a liquid lies off the surface by an amount that differs from picture
to picture, so the scatter about it has a Cauchy law, whose long tails let a colour that fits nowhere
say little. Their logarithmic pool (Genest and Zidek, "Combining probability distributions",
Statistical Science 1(1), 114-135, 1986; from memory) beats both on the development photographs;
DEVELOPERS.md has the table.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from hueph._checks import check_coverage
from hueph._types import Float32Array, FloatArray
from hueph.estimating.features import (
    PictureView,
    TubeEvidence,
    candidate_grid,
    features_of_tubes,
    share_picture,
    surface_distances,
)
from hueph.estimating.network import Scorer, load_scorers
from hueph.estimating.together import load_listener
from hueph.interval import Interval

__all__ = [
    "PooledEvidence",
    "Posterior",
    "Statement",
    "estimate_posterior",
    "mixture_of",
    "pool",
    "pool_experts",
    "pool_tubes",
    "spread",
    "state",
]

# Weight of the scorer's log density in the pool, and the scale of the scatter of liquids about the surface,
# CAM16-UCS units: half of its density lies within. Chosen on the development photographs and simulated scenes
# together; 0.7 to 0.9 and 4 to 6 hardly differ.
SCORER_WEIGHT = 0.8
SURFACE_SCALE = 5.0
# Two hills count as separate when the valley between is below this share of the lower one ...
_VALLEY = 0.35
# ... and the lower one holds at least this share of the posterior ...
_SECOND_HILL = 0.15
# ... and they stand at least this far apart, pH units.
_APART_PH = 0.8
# Step of the grid the density is stated on, pH units.
FINE_STEP_PH = 0.01


@dataclass(frozen=True, slots=True, eq=False)
class Posterior:
    """Probability density of pH on a fine even grid.

    Attributes
    ----------
    grid, density : array, shape (m,)
        pH and density per pH unit; integrates to 1.
    valid : float
        Log odds that the liquid holds the chart's indicator at all.
    chart_low, chart_high : float
        Ends of the chart.
    """

    grid: FloatArray
    density: FloatArray
    valid: float
    chart_low: float
    chart_high: float

    def quantile(self, share: float) -> float:
        """Return the pH below which `share` of the posterior lies."""
        return float(np.interp(share, self._cumulative(), self.grid))

    def below(self, ph: float) -> float:
        """Return the probability that the true pH is below `ph`."""
        return float(np.interp(ph, self.grid, self._cumulative()))

    def _cumulative(self) -> FloatArray:
        """Cumulated probability at every grid point, strictly rising from 0 to 1."""
        step = np.diff(self.grid)
        areas = np.concatenate([[0.0], np.cumsum(0.5 * (self.density[1:] + self.density[:-1]) * step)])
        total = areas / areas[-1]
        return np.asarray(total + np.linspace(0.0, 1e-12, len(total)))

    @property
    def mean(self) -> float:
        """Expectation of pH."""
        weights = self.density / self.density.sum()
        return float(weights @ self.grid)

    @property
    def std(self) -> float:
        """Standard deviation (k = 1)."""
        weights = self.density / self.density.sum()
        return float(np.sqrt(weights @ (self.grid - weights @ self.grid) ** 2))


@dataclass(frozen=True, slots=True)
class Statement:
    """What may be said: a value with its range, a bound, or an ambiguity."""

    ph: float | None
    interval: Interval
    bound: str | None
    ambiguous: bool


@dataclass(frozen=True, slots=True, eq=False)
class PooledEvidence:
    """What the two experts together say about one tube, before any calibration.

    Attributes
    ----------
    grid : array, shape (m,)
        Candidate pH, from `hueph.estimating.features.candidate_grid`.
    log_density : array, shape (m,)
        Pooled log density, its highest value 0.
    valid : float
        Log odds that the liquid holds the chart's indicator at all.
    misfit : float
        Distance of the colour from the nearest point of the surface, CAM16-UCS.
    chart_low, chart_high : float
        Ends of the chart.
    company : array, shape (m,), or 0
        What the other tubes of the picture brought to the log density.
    """

    grid: FloatArray
    log_density: FloatArray
    valid: float
    misfit: float
    chart_low: float
    chart_high: float
    company: FloatArray | float = 0.0

    def by_itself(self) -> PooledEvidence:
        """Return the evidence without what other tubes brought to it."""
        log_density = self.log_density - self.company
        return replace(self, log_density=log_density - log_density.max(), company=0.0)


def pool_experts(evidence: TubeEvidence) -> PooledEvidence:
    """Weigh every candidate pH with the scorer and with the surface, and pool the two.

    Parameters
    ----------
    evidence : TubeEvidence

    Returns
    -------
    PooledEvidence
    """
    return pool_tubes([evidence])[0]


def pool(scorer: FloatArray, distance: FloatArray) -> FloatArray:
    """Return the logarithmic pool of the two experts, not normalised.

    Parameters
    ----------
    scorer : array, shape (m,)
        Log density of every candidate by the networks.
    distance : array, shape (m,)
        From `hueph.estimating.features.surface_distances`, CAM16-UCS.

    Returns
    -------
    array, shape (m,)
    """
    return np.asarray(SCORER_WEIGHT * scorer - np.log1p((distance / SURFACE_SCALE) ** 2))


def pool_tubes(
    tubes: Sequence[TubeEvidence],
    how: Callable[[FloatArray, FloatArray], FloatArray] = pool,
    *,
    together: bool = False,
) -> list[PooledEvidence]:
    """Do what `pool_experts` does for several tubes; those of one picture share most of the work.

    Parameters
    ----------
    tubes : sequence of TubeEvidence
    how : callable
        How the two experts are pooled, for comparing ways. Default: `pool`.
    together : bool
        Let tubes of one picture that follow one another bear on one another (`hueph.estimating.together`).

    Returns
    -------
    list of PooledEvidence
        In the order of `tubes`.
    """
    found: list[PooledEvidence] = []
    for picture in _by_picture(tubes):
        grid = candidate_grid(picture[0].ph)
        view = PictureView.of(picture[0], grid)
        features = features_of_tubes(picture, view)
        mixtures, valid = mixture_of(features, load_scorers())
        own = mixtures
        if together and len(picture) > 1:
            mixtures = load_listener().densities(features, own, valid)
        distances = surface_distances(picture, view)
        for tube, mixture, by_itself, odds, distance in zip(
            picture, mixtures, own, valid, distances, strict=True
        ):
            pooled = how(np.log(mixture + 1e-9), distance)
            company = 0.0 if mixtures is own else pooled - how(np.log(by_itself + 1e-9), distance)
            found.append(
                PooledEvidence(
                    grid=grid,
                    log_density=pooled - pooled.max(),
                    valid=float(odds),
                    misfit=float(distance.min()),
                    chart_low=float(tube.ph[0]),
                    chart_high=float(tube.ph[-1]),
                    company=company,
                )
            )
    return found


def mixture_of(features: Float32Array, scorers: Sequence[Scorer]) -> tuple[FloatArray, FloatArray]:
    """Return the mixture of the scorers' densities and their mean odds.

    The mixture, not the mean of the logarithms: where networks disagree the answer has to be wide.

    Parameters
    ----------
    features : array, shape (t, m, FEATURE_COUNT)
    scorers : sequence of Scorer

    Returns
    -------
    densities : array, shape (t, m)
        Sum 1.
    valid : array, shape (t,)
        Log odds that a liquid holds the chart's indicator at all.
    """
    scores = [scorer.score(features) for scorer in scorers]
    densities = [np.exp(logits - logits.max(axis=-1, keepdims=True)) for logits, _ in scores]
    shares = [density / density.sum(axis=-1, keepdims=True) for density in densities]
    return np.mean(shares, axis=0), np.mean([odds for _, odds in scores], axis=0)


def _by_picture(tubes: Sequence[TubeEvidence]) -> list[list[TubeEvidence]]:
    """Group tubes that follow one another and are of one picture."""
    groups: list[list[TubeEvidence]] = []
    for tube in tubes:
        if groups and share_picture(groups[-1][0], tube):
            groups[-1].append(tube)
        else:
            groups.append([tube])
    return groups


def spread(pooled: PooledEvidence, *, widen: float = 1.0) -> Posterior:
    """Return the posterior of pooled evidence on a fine grid.

    Parameters
    ----------
    pooled : PooledEvidence
    widen : float
        Divisor of the log density (temperature): 1 leaves it alone, above 1 flattens it.

    Returns
    -------
    Posterior
    """
    coarse = pooled.grid
    count = round((coarse[-1] - coarse[0]) / FINE_STEP_PH) + 1
    grid = np.linspace(coarse[0], coarse[-1], count)
    density = np.interp(grid, coarse, np.exp(pooled.log_density / widen))
    area = float(np.sum(0.5 * (density[1:] + density[:-1]) * np.diff(grid)))
    return Posterior(grid, density / area, pooled.valid, pooled.chart_low, pooled.chart_high)


def estimate_posterior(evidence: TubeEvidence, *, widen: float = 1.0) -> Posterior:
    """Return the posterior of pH given everything measured of one tube.

    Parameters
    ----------
    evidence : TubeEvidence
    widen : float
        Exponent's divisor (temperature) from the conformal calibration; 1 leaves the density alone,
        above 1 flattens it.

    Returns
    -------
    Posterior
    """
    return spread(pool_experts(evidence), widen=widen)


def state(posterior: Posterior, *, coverage: float = 0.95) -> Statement:
    """Turn a posterior into a value with a range, a one-sided bound, or an ambiguity.

    Parameters
    ----------
    posterior : Posterior
    coverage : float
        Probability the range is to hold.

    Returns
    -------
    Statement

    Raises
    ------
    InputError
        `coverage` is not between 0 and 1.
    """
    share = check_coverage(coverage)
    total, grid = posterior._cumulative(), posterior.grid

    def quantile(part: float) -> float:
        return float(np.interp(part, total, grid))

    under = float(np.interp(posterior.chart_low, grid, total))
    over = 1.0 - float(np.interp(posterior.chart_high, grid, total))
    # The chart cannot exclude, at the asked coverage, that the pH lies beyond its end: the range's far
    # limit would come from assumptions about colours nobody printed.
    beyond = 1.0 - share
    if under > beyond and under >= over:
        limit = max(quantile(share), posterior.chart_low)
        return Statement(None, Interval(None, limit, share), "below", False)
    if over > beyond:
        limit = min(quantile(1.0 - share), posterior.chart_high)
        return Statement(None, Interval(limit, None, share), "above", False)
    tail = (1.0 - share) / 2.0
    low, high = quantile(tail), quantile(1.0 - tail)
    ambiguous = _two_hills(posterior)
    median = None if ambiguous else quantile(0.5)
    return Statement(median, Interval(low, high, share), None, ambiguous)


def _two_hills(posterior: Posterior) -> bool:
    """Say whether two separate pH ranges explain the colour about equally well."""
    density, grid = posterior.density, posterior.grid
    top = int(np.argmax(density))
    weights = density / density.sum()
    for side in (slice(None, top + 1), slice(top, None)):
        part, where = density[side], grid[side]
        away = part if side.start is not None else part[::-1]
        places = where if side.start is not None else where[::-1]
        lowest = np.minimum.accumulate(away)
        rise = away - lowest
        peak = int(np.argmax(np.where(np.abs(places - grid[top]) >= _APART_PH, rise, -1.0)))
        if rise[peak] <= 0.0 or abs(places[peak] - grid[top]) < _APART_PH:
            continue
        valley = int(np.argmin(away[: peak + 1]))
        beyond = places[valley]
        mass = float(
            weights[grid >= beyond].sum() if side.start is not None else weights[grid <= beyond].sum()
        )
        if lowest[peak] < _VALLEY * away[peak] and mass >= _SECOND_HILL:
            return True
    return False
