"""What one tube's colour says about every candidate pH, as numbers a scorer can weigh.

For each candidate on a fine pH grid the chart's curve at that pH is set beside the tube in
absorbance-like coordinates. Dye amount and bore scale a tube's absorbance and leave pH alone, so the
best scale is fitted for each candidate and the misfit that remains is what counts. Three coordinate
systems are used side by side: the file's own channels; the same after mixing a little of each
channel into the others, which undoes part of the camera's colour matrix and keeps strongly coloured
liquids away from zero; and CAM16-UCS after the picture's colour correction, where the nearest point
of the surface colour(pH, load) is looked for.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

from hueph._types import BoolArray, Float32Array, FloatArray
from hueph.colour.cam16 import xyz_to_cam16_ucs
from hueph.colour.correction import ColourCorrection
from hueph.colour.srgb import linear_rgb_to_xyz
from hueph.estimating.curve import shape_preserving_curve

__all__ = [
    "BEYOND_PH",
    "FEATURE_COUNT",
    "GRID_STEP_PH",
    "MIXED_CURVE",
    "PictureView",
    "TubeEvidence",
    "candidate_features",
    "candidate_grid",
    "features_of_tubes",
    "mixed",
    "neighbour_tint",
    "relative_to_chart",
    "share_picture",
    "slope_along",
    "surface_distances",
    "surface_misfit",
    "ucs_place",
    "without_mirrored_light",
]

GRID_STEP_PH = 0.1
BEYOND_PH = 1.5
"""How far the grid reaches beyond the chart's ends, pH units."""

# Light added before taking logarithms: keeps near-black channels finite and says how little they
# know. About twice the veiling glare of a clean phone lens (design of the camera model, no source).
_SOFT = 0.01
_SOFTER = 0.05
# Share of the other channels mixed in: the off-diagonal part of a typical colour matrix.
_MIX = 0.18
# Backing counts as coloured when its strongest channel exceeds the weakest by this factor.
_COLOURED_RATIO = 1.3
# Uncertainty (k = 1) of the empty glass's ratio, and what a filled tube mirrors of what an empty one
# does: its inner surfaces hardly reflect against water.
_GLASS_STD, _FILLED_SHARE = 0.02, 0.7
# Features are kept near 1: CAM16-UCS values are divided by this.
_UCS_UNIT = 30.0
# Dye loads tried for the nearest point of the surface, relative to the card's own.
_LOADS = np.geomspace(0.3, 4.0, 28)
_MIXER = (1.0 - _MIX) * np.eye(3) + _MIX / 3.0 * np.ones((3, 3))
# Mixer and soft floor of the three views in absorbance.
_VIEWS = ((np.eye(3), _SOFT), (_MIXER, _SOFT), (np.eye(3), _SOFTER))
MIXED_CURVE = slice(6, 9)
"""Columns of `PictureView.curves` with the patches' absorbance in mixed channels."""


@dataclass(frozen=True, slots=True, eq=False)
class TubeEvidence:
    """Everything measured that bears on one tube, linear light in the file's primaries.

    Attributes
    ----------
    ph : array, shape (n,)
        Chart pH of the usable patches, rising.
    patches : array, shape (n, 3)
        Patch over local paper, times the paper's reflectance: relative to a perfect white.
    artwork : array, shape (n, 3)
        The chart file's colours in the same primaries, relative to a perfect white.
    tube : array, shape (3,)
        Liquid over the backing beside it.
    backing : array, shape (3,)
        Backing over the card's paper, times the paper's reflectance.
    glass : array, shape (3,)
        Empty vessel over the backing there; nan when not seen.
    paper_level : float
        Brightest channel of the paper in the picture (exposure), 0..1.
    noise : float
        Relative standard deviation of the tube's mean colour.
    low, high : array, shape (3,)
        Share of the core at the bottom and top of the code range.
    correction : ColourCorrection
        From ratios in the file's primaries to linear sRGB.
    neighbours : array, shape (3,)
        Absorbance of the vessels on both sides, weighted by nearness (`neighbour_tint`).
    """

    ph: FloatArray
    patches: FloatArray
    artwork: FloatArray
    tube: FloatArray
    backing: FloatArray
    glass: FloatArray
    paper_level: float
    noise: float
    low: FloatArray
    high: FloatArray
    correction: ColourCorrection
    neighbours: FloatArray = field(default_factory=lambda: np.zeros(3))


def candidate_grid(ph: FloatArray) -> FloatArray:
    """Return candidate pH values for a chart with these patches, shape (m,), step `GRID_STEP_PH`."""
    low, high = ph[0] - BEYOND_PH, ph[-1] + BEYOND_PH
    return np.asarray(low + GRID_STEP_PH * np.arange(round((high - low) / GRID_STEP_PH) + 1))


def absorbance(ratio: FloatArray, soft: float = _SOFT) -> FloatArray:
    """Return -log10 of a light ratio with a soft floor; 0 for 1, finite for 0 and below."""
    return np.asarray(-np.log10((np.maximum(ratio, 0.0) + soft) / (1.0 + soft)))


def mixed(ratios: FloatArray) -> FloatArray:
    """Mix a little of each channel of light ratios (..., 3) into the others."""
    return np.asarray(ratios @ _MIXER.T)


def _scaled_misfit(curve: FloatArray, tubes: FloatArray) -> FloatArray:
    """Log of best scale, cosine, and the residual after scaling, of a curve (m, 3) and tubes (t, 3): (t, m, 5)."""
    length2 = (curve**2).sum(axis=1) + 1e-3
    along = tubes @ curve.T
    scale = np.maximum(along, 1e-3) / length2
    found = np.empty((*along.shape, 5))
    found[..., 0] = np.log(np.clip(scale, 0.05, 20.0))
    found[..., 1] = along / np.sqrt(length2 * ((tubes**2).sum(axis=1, keepdims=True) + 1e-3))
    found[..., 2:] = tubes[:, None] - scale[..., None] * curve
    return found


def slope_along(values: FloatArray, half: int = 3) -> FloatArray:
    """Central difference over `half` grid steps on each side, per pH unit."""
    padded = np.pad(values, ((half, half), (0, 0)), mode="edge")
    return np.asarray((padded[2 * half :] - padded[: -2 * half]) / (2 * half * GRID_STEP_PH))


@dataclass(frozen=True, slots=True, eq=False)
class PictureView:
    """What the features of all tubes of one picture have in common, for every candidate pH.

    Attributes
    ----------
    grid : array, shape (m,)
        From `candidate_grid`.
    curves, slopes : array, shape (m, 18)
        Absorbance of patches and artwork in three views, and its change per pH unit.
    surface : array, shape (3, loads, m)
        Places in CAM16-UCS of the patches' curve at every dye load, over `_UCS_UNIT`.
    corrected : array, shape (m, 3)
        Absorbance of the patches' own curve after the picture's colour correction, mixed channels.
    position : array, shape (m, 6)
        Where candidates lie relative to the chart.
    printing : array, shape (9,)
        How the picture renders the print.
    rendering : array, shape (6,)
        How the correction moves saturated colours.
    """

    grid: FloatArray
    curves: FloatArray
    slopes: FloatArray
    surface: FloatArray
    corrected: FloatArray
    position: FloatArray
    printing: FloatArray
    rendering: FloatArray

    @classmethod
    def of(cls, evidence: TubeEvidence, grid: FloatArray) -> PictureView:
        """Look at the picture of a tube."""
        knots = [
            absorbance(colours @ mixer.T, soft)
            for mixer, soft in _VIEWS
            for colours in (evidence.patches, evidence.artwork)
        ]
        patches = np.maximum(evidence.correction.apply(evidence.patches), 0.0) @ _MIXER.T
        curves = shape_preserving_curve(evidence.ph, np.hstack([*knots, absorbance(patches)]), grid)
        curves, corrected = curves[:, :-3], curves[:, -3:]
        light = 10.0 ** (-_LOADS[:, None, None] * curves[:, :3])
        surface = np.ascontiguousarray(np.moveaxis(ucs_place(evidence, light), 2, 0))
        return cls(
            grid,
            curves,
            slope_along(curves),
            surface,
            corrected,
            relative_to_chart(evidence.ph, grid),
            _print_to_picture(evidence),
            _rendering(evidence),
        )


def share_picture(one: TubeEvidence, other: TubeEvidence) -> bool:
    """Say whether two tubes have one `PictureView`."""
    return one.correction is other.correction and all(
        np.array_equal(mine, theirs)
        for mine, theirs in (
            (one.ph, other.ph),
            (one.patches, other.patches),
            (one.artwork, other.artwork),
        )
    )


def candidate_features(
    evidence: TubeEvidence, grid: FloatArray, view: PictureView | None = None
) -> Float32Array:
    """Return the features of every candidate pH of one tube.

    Parameters
    ----------
    evidence : TubeEvidence
    grid : array, shape (m,)
        From `candidate_grid`.
    view : PictureView, optional
        Of the tube's picture and this grid. Default: made.

    Returns
    -------
    array, shape (m, FEATURE_COUNT), float32
    """
    view = PictureView.of(evidence, grid) if view is None else view
    features: Float32Array = features_of_tubes([evidence], view)[0]
    return features


def features_of_tubes(tubes: Sequence[TubeEvidence], view: PictureView) -> Float32Array:
    """Return what `candidate_features` returns, for the tubes of one picture: (t, m, FEATURE_COUNT)."""
    ratios = np.stack([tube.tube for tube in tubes])
    clear = np.stack([without_mirrored_light(tube) for tube in tubes])
    # Each (t, m, k), or one long where all tubes or all candidates share it.
    columns: list[FloatArray] = []
    for index, (mixer, soft) in enumerate(_VIEWS):
        patch, artwork = (slice(6 * index + 3 * part, 6 * index + 3 * part + 3) for part in (0, 1))
        seen = absorbance(ratios @ mixer.T, soft)
        columns.append(_scaled_misfit(view.curves[:, patch], seen))
        columns.append(_scaled_misfit(view.curves[:, artwork], seen))
        if mixer is _MIXER:
            continue
        columns.extend((view.curves[None, :, patch], view.curves[None, :, artwork], seen[:, None]))
        columns.extend((view.slopes[None, :, patch], view.slopes[None, :, artwork]))
    columns.append(surface_misfit(view, ucs_place(tubes[0], ratios)))
    seen = absorbance(np.maximum(tubes[0].correction.apply(clear), 0.0) @ _MIXER.T)
    columns.extend((_scaled_misfit(view.corrected, seen), seen[:, None], view.position[None]))
    constants = [_constants(tube, view, light) for tube, light in zip(tubes, clear, strict=True)]
    columns.append(np.stack(constants)[:, None])
    count = sum(part.shape[2] for part in columns)
    features = np.empty((len(tubes), len(view.grid), count), dtype=np.float32)
    start = 0
    for part in columns:
        features[..., start : start + part.shape[2]] = part
        start += part.shape[2]
    return features


def _constants(evidence: TubeEvidence, view: PictureView, clear: FloatArray) -> FloatArray:
    """Return the features that are the same for every candidate; `clear` is the tube less mirrored light."""
    light = np.stack([evidence.backing, _finite_or(evidence.glass, 1.0)])
    backing, glass = absorbance(light, _SOFTER)
    through, seen = absorbance(np.stack([evidence.tube * evidence.backing, clear]), _SOFT)
    return np.concatenate(
        [
            backing,
            through,
            glass * 4.0,
            [float(np.isfinite(evidence.glass).all())],
            np.clip(evidence.low, 0, 1),
            np.clip(evidence.high, 0, 1),
            [np.log10(max(evidence.noise, 1e-4)) + 2.0, evidence.paper_level],
            view.printing,
            evidence.neighbours,
            seen,
            view.rendering,
        ]
    )


def neighbour_tint(tubes: FloatArray, places: FloatArray, bores: FloatArray) -> FloatArray:
    """Return what the vessels beside each one colour its light with.

    A vessel close by filters light on the backing behind its neighbour; the effect falls off within
    about half a bore of free space (scene model, fitted to path-traced photographs).

    Parameters
    ----------
    tubes : array, shape (n, 3)
        Liquid over backing.
    places : array, shape (n, 2)
        Centres of the liquids, pixels.
    bores : array, shape (n,)
        Widths, pixels.

    Returns
    -------
    array, shape (n, 3)
        Sum over the others of absorbance times nearness, nearness 1 for touching vessels.
    """
    apart = np.linalg.norm(places[:, None] - places[None], axis=2) / np.maximum(bores[:, None], 1e-6)
    nearness = np.exp(-np.clip(apart - 1.15, 0.0, None) / 0.6)
    np.fill_diagonal(nearness, 0.0)
    return np.asarray(nearness @ absorbance(tubes, _SOFTER))


def surface_distances(tubes: Sequence[TubeEvidence], view: PictureView) -> FloatArray:
    """Return how far the colours of a picture's tubes are from the surface at each candidate pH, any load.

    Parameters
    ----------
    tubes : sequence of TubeEvidence
        Of one picture.
    view : PictureView
        Of that picture; beyond the chart its end patch counts.

    Returns
    -------
    array, shape (t, m)
        Euclidean distance in CAM16-UCS after the picture's colour correction.
    """
    clear = np.stack([without_mirrored_light(tube) for tube in tubes])
    return np.asarray(surface_misfit(view, ucs_place(tubes[0], clear))[..., 0] * _UCS_UNIT)


def without_mirrored_light(evidence: TubeEvidence) -> FloatArray:
    """Return the tube's ratio less the light its glass mirrors from the surroundings.

    In front of a coloured or dark backing that light is a good part of what is seen. The empty glass
    above the liquid gives it away: seen over the backing B it shows g B + v, with a transmittance g
    and a neutral veil v; both are fitted with priors from clean glass (g 0.95, v 0, k = 1: 0.05 and
    0.02 of a perfect white). In front of a plain backing g and v cannot be told apart, and v matters
    little: the ratio is returned as it is.

    Returns
    -------
    array, shape (3,)
    """
    backing = np.maximum(evidence.backing, 1e-3)
    if not np.isfinite(evidence.glass).all() or backing.max() < _COLOURED_RATIO * backing.min():
        return evidence.tube
    design = np.stack([backing, np.ones(3)], axis=1) / _GLASS_STD
    normal = design.T @ design + np.diag([1.0 / 0.05**2, 1.0 / 0.02**2])
    right = design.T @ (evidence.glass * backing / _GLASS_STD) + np.array([0.95 / 0.05**2, 0.0])
    veil = float(np.clip(np.linalg.solve(normal, right)[1], 0.0, 0.12))
    return np.maximum(evidence.tube - _FILLED_SHARE * veil / backing, 0.002)


def ucs_place(evidence: TubeEvidence, ratios: FloatArray) -> FloatArray:
    """Place of light ratios (..., 3) in CAM16-UCS after the picture's colour correction, over `_UCS_UNIT`."""
    corrected = np.maximum(evidence.correction.apply(ratios), 0.0)
    return np.asarray(xyz_to_cam16_ucs(linear_rgb_to_xyz(corrected))) / _UCS_UNIT


def surface_misfit(view: PictureView, tubes: FloatArray) -> FloatArray:
    """Nearest point over dye load in CAM16-UCS of places (..., 3): (..., m, 8).

    Distance, log load, difference, own place.
    """
    difference = view.surface - tubes[..., None, None]
    distance2 = np.square(difference).sum(axis=-3)
    best = distance2.argmin(axis=-2)[..., None, :]
    found = np.empty((*tubes.shape[:-1], len(view.grid), 8))
    found[..., 0] = np.sqrt(np.take_along_axis(distance2, best, axis=-2))[..., 0, :]
    found[..., 1] = np.log(_LOADS)[best[..., 0, :]]
    nearest = np.take_along_axis(difference, best[..., None, :, :], axis=-2)[..., 0, :]
    found[..., 2:5] = np.swapaxes(nearest, -1, -2)
    found[..., 5:] = (tubes - (2.0, 0.0, 0.0))[..., None, :]
    return found


def _rendering(evidence: TubeEvidence) -> FloatArray:
    """How the correction moves three saturated colours: tells cameras and lights apart, (6,)."""
    probes = np.array([[0.9, 0.45, 0.15], [0.15, 0.5, 0.6], [0.3, 0.1, 0.6]])
    moved = absorbance(np.maximum(evidence.correction.apply(probes), 0.0)) - absorbance(probes)
    return np.asarray(2.0 * (moved[:, [0, 2]] - moved[:, [1]]).ravel())


def _finite_or(values: FloatArray, default: float) -> FloatArray:
    """Replace non-finite values."""
    return np.where(np.isfinite(values), values, default)


def relative_to_chart(ph: FloatArray, grid: FloatArray) -> FloatArray:
    """Where candidates lie relative to the chart: distances beyond its ends and to the next patch."""
    nearest = np.abs(grid[:, None] - ph[None]).min(axis=1)
    step = float(np.median(np.diff(ph)))
    return np.stack(
        [
            np.clip(ph[0] - grid, 0.0, None),
            np.clip(grid - ph[-1], 0.0, None),
            ((grid >= ph[0]) & (grid <= ph[-1])).astype(np.float64),
            nearest / step,
            np.full(len(grid), step),
            np.full(len(grid), (ph[-1] - ph[0]) / 6.0),
        ],
        axis=1,
    )


def _print_to_picture(evidence: TubeEvidence) -> FloatArray:
    """How the picture renders the print: offset and slope of absorbance per channel, and the rest."""
    seen, printed = absorbance(evidence.patches), absorbance(evidence.artwork)
    centred = printed - printed.mean(axis=0)
    spread = (centred**2).sum(axis=0) + 1e-3
    slope = (centred * (seen - seen.mean(axis=0))).sum(axis=0) / spread
    offset = seen.mean(axis=0) - printed.mean(axis=0)
    rest = seen - seen.mean(axis=0) - slope * centred
    return np.concatenate([offset * 3.0, slope - 1.0, np.sqrt((rest**2).mean(axis=0)) * 5.0])


def _feature_count() -> int:
    """Number of features, from a made-up tube."""
    ones = np.ones((3, 3)) * 0.5
    made_up = TubeEvidence(
        ph=np.array([4.0, 5.0, 6.0]),
        patches=ones,
        artwork=ones,
        tube=ones[0],
        backing=ones[0],
        glass=ones[0],
        paper_level=0.5,
        noise=0.01,
        low=np.zeros(3),
        high=np.zeros(3),
        correction=ColourCorrection("linear", np.eye(3)),
    )
    return int(candidate_features(made_up, candidate_grid(made_up.ph)).shape[1])


FEATURE_COUNT = _feature_count()


def all_finite(evidence: TubeEvidence) -> bool:
    """Say whether everything but the optional glass is a finite number."""
    fields: tuple[FloatArray | BoolArray, ...] = (
        evidence.ph,
        evidence.patches,
        evidence.artwork,
        evidence.tube,
        evidence.backing,
    )
    return all(bool(np.isfinite(field).all()) for field in fields)
