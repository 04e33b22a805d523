"""Several readings of one sample become one: replicates, and portions with different indicators.

Readings against the same card share its mismatch to the liquid, so twice as many of them do not know
twice as much; and what photographs of the same liquid disagree about beyond their own uncertainty is
real and has to stay in. Readings against different cards, with different indicators, are independent:
their posteriors multiply.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from hueph._checks import check_coverage
from hueph._types import FloatArray
from hueph.comparing.change import Observation, compare_tubes, tie_of
from hueph.comparing.correlation import posterior_std
from hueph.errors import InputError
from hueph.estimating.posterior import Posterior, state

__all__ = ["Combined", "combine"]

# An outlier disagrees with all the others together with this confidence ...
OUTLIER_COVERAGE = 0.997
# ... and two indicators are in conflict when a common pH is excluded with this one.
CONFLICT_COVERAGE = 0.99
_STEP_PH = 0.01
# Density per pH unit below which no posterior is believed, so that no reading outvotes all others.
# With it the ranges of two simulated indicators together hold as often as stated (DEVELOPERS.md,
# "Indicators on portions"); products of posteriors without it are too sure.
_FLOOR = 0.02
_NEGLIGIBLE = 1e-6


@dataclass(frozen=True, slots=True, eq=False)
class Combined:
    """What several observations of one sample say together.

    Attributes
    ----------
    observation : Observation
        With the combined posterior; `reading.ph` is None when the observations are in conflict. Its
        `sha256` names all pictures, so that two samples seen in the same pictures share them.
    members : tuple of Observation
    outliers : tuple of str
        Sentences naming members left out because they disagree with all the others.
    conflict : str
        Why there is no common pH, "" when the members agree.
    scatter_ph : float
        Standard deviation between members beyond what their own uncertainties explain, pH.
    """

    observation: Observation
    members: tuple[Observation, ...]
    outliers: tuple[str, ...] = ()
    conflict: str = ""
    scatter_ph: float = 0.0


def combine(observations: Sequence[Observation], *, coverage: float = 0.95) -> Combined:
    """Combine observations of one sample.

    Parameters
    ----------
    observations : sequence of Observation
        Replicates (same chart) and portions with other indicators (other charts), in any mixture.
    coverage : float
        Of the combined range.

    Returns
    -------
    Combined
        A single observation comes back as it is.

    Raises
    ------
    InputError
        No observation, or a coverage that is no probability.

    Notes
    -----
    Within a chart: posteriors are multiplied after each is raised to the power that leaves a normal
    mean of n members with mean correlation r the variance (1 + (n - 1) r) / n of one member, then
    widened by the scatter between members that this does not explain (DerSimonian and Laird,
    Controlled Clinical Trials 7, 177-188, 1986, the moment estimator; from memory). Between charts:
    multiplied, unless they exclude a common pH.
    """
    share = check_coverage(coverage)
    if not observations:
        raise InputError("combining readings of a sample: at least one reading is needed, none was given")
    members = tuple(observations)
    usable = [one for one in members if one.has_ph]
    if len(members) == 1 or not usable:
        return Combined(members[0], members)
    charts = list(dict.fromkeys(one.chart_sha256 for one in usable))
    groups = [_combine_replicates([one for one in usable if one.chart_sha256 == chart]) for chart in charts]
    outliers = tuple(text for group in groups for text in group.outliers)
    scatter = max(group.scatter_ph for group in groups)
    grid, density, card, conflict = _multiply([group.observation for group in groups])
    posterior = Posterior(grid, density, 0.0, *card)
    statement = state(posterior, coverage=share)
    flags = {flag for one in usable for flag in one.reading.flags} - {
        "beyond-chart",
        "ambiguous",
        "chart-alike",
    }
    if statement.bound is not None:
        flags.add("beyond-chart")
    if statement.ambiguous:
        flags.add("ambiguous")
    if conflict:
        flags.add("conflict")
    first = usable[0]
    pictures = "+".join(sorted({one.sha256 for one in usable}))
    reading = replace(
        first.reading,
        ph=None if conflict else statement.ph,
        ph_std=None if conflict or statement.ph is None else posterior.std,
        interval=statement.interval,
        bound=statement.bound,
        flags=tuple(sorted(flags)),
        lab=_mean_lab(usable),
        grid=grid,
        posterior=density,
        budget={},
        expected=None,
    )
    combined = replace(first, reading=reading, card=card, sha256=pictures)
    return Combined(combined, members, outliers, conflict, scatter)


@dataclass(frozen=True, slots=True, eq=False)
class _Group:
    observation: Observation
    outliers: tuple[str, ...]
    scatter_ph: float


def _combine_replicates(group: list[Observation]) -> _Group:
    """Combine observations against one chart."""
    kept, outliers = _without_outliers(group)
    count = len(kept)
    if count == 1:
        return _Group(kept[0], outliers, 0.0)
    grid = _common_grid(kept)
    logs = np.stack([_log_density(one, grid, _NEGLIGIBLE) for one in kept])
    correlation = _mean_correlation(kept)
    power = 1.0 / (1.0 + (count - 1) * correlation)
    density = _normalised(grid, np.exp(power * logs.sum(axis=0) - np.max(power * logs.sum(axis=0))))
    scatter = _scatter(kept, correlation)
    if scatter > 0.0:
        density = _blurred(grid, density, scatter / np.sqrt(count))
    reading = replace(kept[0].reading, grid=grid, posterior=density)
    return _Group(replace(kept[0], reading=reading), outliers, scatter)


def _without_outliers(group: list[Observation]) -> tuple[list[Observation], tuple[str, ...]]:
    """Leave out members that disagree with every other; at least three are needed to tell."""
    if len(group) < 3:
        return group, ()
    outliers = []
    for one in group:
        others = [other for other in group if other is not one]
        changes = [compare_tubes(other, one, coverage=OUTLIER_COVERAGE) for other in others]
        if all(change.visible for change in changes):
            outliers.append(one)
    # Two camps disagree with each other throughout: then nobody is the outlier.
    if len(outliers) > len(group) - 2:
        return group, ()
    texts = tuple(
        f"tube {one.reading.tube} of {one.file} ({_said(one)}) was left out: it disagrees with all the others"
        for one in outliers
    )
    return [one for one in group if one not in outliers], texts


def _said(one: Observation) -> str:
    return str(one.reading).partition("  ")[2]


def _mean_correlation(group: list[Observation]) -> float:
    """Mean correlation of the members' errors."""
    values = [tie_of(other, one).correlation for index, one in enumerate(group) for other in group[:index]]
    return float(np.clip(np.mean(values), 0.0, 0.98))


def _scatter(group: list[Observation], correlation: float) -> float:
    """Standard deviation between members beyond their own, uncorrelated part of uncertainty."""
    medians = np.array(
        [Posterior(one.reading.grid, one.reading.posterior, 0.0, 0.0, 0.0).quantile(0.5) for one in group]
    )
    own = np.array([posterior_std(one.reading) for one in group]) * np.sqrt(1.0 - correlation)
    weight = 1.0 / own**2
    mean = (weight @ medians) / weight.sum()
    excess = weight @ (medians - mean) ** 2 - (len(group) - 1)
    room = weight.sum() - (weight @ weight) / weight.sum()
    return float(np.sqrt(max(excess / room, 0.0)))


def _multiply(
    parts: list[Observation],
) -> tuple[FloatArray, FloatArray, tuple[float, float], str]:
    """Multiply posteriors against different cards; returns grid, density, reach of the cards, conflict."""
    cards = [part.card for part in parts if part.card is not None]
    if len(parts) == 1:
        return parts[0].reading.grid, parts[0].reading.posterior, cards[0], ""
    grid = _common_grid(parts)
    # A card says nothing about how far beyond its end a liquid lies: there, its posterior is laid out
    # evenly to the end of the common grid, and the other cards decide.
    logs = [_log_density(part, grid, _FLOOR, card) for part, card in zip(parts, cards, strict=True)]
    total = np.sum(logs, axis=0)
    density = _normalised(grid, np.exp(total - total.max()))
    reach = (min(low for low, _ in cards), max(high for _, high in cards))
    return grid, density, reach, _conflict(parts)


def _conflict(parts: list[Observation]) -> str:
    """Say which two indicators exclude a common pH, "" when all agree."""
    for index, one in enumerate(parts):
        for other in parts[:index]:
            change = compare_tubes(other, one, coverage=CONFLICT_COVERAGE)
            if change.visible:
                return (
                    f"{other.chart_name} says {_said(other)}, {one.chart_name} says {_said(one)}: they exclude "
                    "each other; check which indicator went into which portion"
                )
    return ""


def _common_grid(parts: Sequence[Observation]) -> FloatArray:
    """Even grid over the reach of all posteriors."""
    low = min(float(part.reading.grid[0]) for part in parts)
    high = max(float(part.reading.grid[-1]) for part in parts)
    return np.asarray(np.linspace(low, high, round((high - low) / _STEP_PH) + 1))


def _log_density(
    part: Observation, grid: FloatArray, floor: float, card: tuple[float, float] | None = None
) -> FloatArray:
    """Log density on a grid; with `card`, what lies beyond it spread evenly to the grid's ends."""
    own, density = part.reading.grid, part.reading.posterior
    values = np.interp(grid, own, density, left=0.0, right=0.0)
    if card is not None:
        for side in (grid < card[0], grid > card[1]):
            if side.any():
                values[side] = values[side].sum() / side.sum()
    values = _normalised(grid, values)
    return np.asarray(np.log(values + floor))


def _normalised(grid: FloatArray, density: FloatArray) -> FloatArray:
    area = float(np.sum(0.5 * (density[1:] + density[:-1]) * np.diff(grid)))
    return np.asarray(density / area)


def _blurred(grid: FloatArray, density: FloatArray, std: float) -> FloatArray:
    """Convolve with a normal law."""
    step = float(grid[1] - grid[0])
    half = max(int(np.ceil(4.0 * std / step)), 1)
    kernel = np.exp(-0.5 * (np.arange(-half, half + 1) * step / std) ** 2)
    wide = np.convolve(np.pad(density, half, mode="edge"), kernel / kernel.sum(), mode="valid")
    return _normalised(grid, wide)


def _mean_lab(group: Sequence[Observation]) -> tuple[float, float, float]:
    """Mean colour of the members read against the first one's chart."""
    same = [one.reading.lab for one in group if one.chart_sha256 == group[0].chart_sha256]
    light, a, b = np.mean(same, axis=0)
    return float(light), float(a), float(b)
