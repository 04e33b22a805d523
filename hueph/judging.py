"""Judge one tube's colour: is it fit to be read, how well, and why not.

Every condition is a flag of `hueph.flags`. Thresholds are stated with where they come from.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache

import numpy as np

from hueph._types import FloatArray
from hueph.chart import Chart
from hueph.colour.difference import delta_e_cie2000
from hueph.estimating.curve import shape_preserving_curve
from hueph.estimating.features import TubeEvidence, absorbance
from hueph.estimating.posterior import Posterior
from hueph.interval import Interval
from hueph.locate.types import TubeLocation
from hueph.measuring import TubeMeasurement
from hueph.white_balance import PictureColours, linear_srgb_to_lab

__all__ = [
    "backing_is_coloured",
    "chart_is_alike",
    "distance_from_chart",
    "distances_from_chart",
    "glass_shines",
    "quality_flags",
    "refusal_flags",
]

# Share of core pixels with a reflection at which a median starts to move.
GLARE_SHARE = 0.15
# Share of core pixels at the top of the code range beyond which a mean is too low.
CLIPPED_SHARE = 0.3
# Brightest channel relative to a perfect white below which flare and noise rule the colour.
TOO_DARK = 0.03
# Edge width over the bore at which neighbouring colours run into the core.
BLUR_SHARE = 0.25
# Relative standard deviation of single core pixels; about one stop of grain.
NOISY = 0.35
# Relative scatter of the backing about its smooth field.
UNEVEN = 0.15
# Empty glass over backing, mean of the channels. Ranges of 95 % held 88 % of drawn and path-traced tubes from 1.2 on
# before they were widened as in bad light.
SHINING_GLASS = 1.2
# Relative scatter of the strip's paper about a plane of light above which something lies on it; the
# development photographs reach 0.054.
UNEVEN_STRIP = 0.07
# CIELAB chroma of the backing from which it filters the light visibly, and lightness below which
# little light comes through from behind.
COLOURED_CHROMA, DARK_LIGHTNESS = 18.0, 45.0
# Plain water: chroma of the corrected colour below, and every channel's ratio above.
WATER_CHROMA, WATER_RATIO = 5.0, 0.72
# A liquid with less chroma than this that is no indicator sample is turbid rather than coloured.
GREY_CHROMA = 25.0
# ... unless it lets light through and is not grey: then it may as well hold too little dye. Of drawn tubes
# refused here 90 in 100 with a quarter of the dye have more chroma than this, and 90 in 100 milky ones less.
FAINT_CHROMA, FAINT_RATIO = 4.0, 0.6
# Log odds of holding the chart's indicator below which nothing is stated.
VALID_LOG_ODDS = -2.5
# CIEDE2000 from anything the chart's curve at any dye load can explain.
OFF_CHART_DELTA_E = 30.0
# A range wider than this, pH units, over which no two colours of the chart are further apart than that, CIEDE2000, is
# wide because of the chart. Of 382 stated tubes (development, path-traced and drawn photographs) 44 were such, with an error
# (RMSE) of 0.69 against 0.23 of the others.
ALIKE_PH, ALIKE_DELTA_E = 1.0, 10.0


def quality_flags(
    colours: PictureColours, location: TubeLocation, tube: TubeMeasurement, evidence: TubeEvidence
) -> set[str]:
    """Conditions that widen or spoil a reading, whatever the colour."""
    flags: set[str] = set()
    bore = float(np.linalg.norm(location.liquid[1] - location.liquid[0]))
    if tube.glare > GLARE_SHARE:
        flags.add("glare")
    if (tube.clipped_high > CLIPPED_SHARE).any():
        flags.add("clipped")
    if float(np.max(evidence.tube * evidence.backing)) < TOO_DARK:
        flags.add("too-dark")
    if np.isfinite(tube.sharpness) and tube.sharpness > BLUR_SHARE * bore:
        flags.add("blurred")
    if tube.noise > NOISY:
        flags.add("noisy")
    if np.isfinite(tube.backing_std) and tube.backing_std > UNEVEN:
        flags.add("uneven-light")
    if np.isfinite(colours.strip.paper_std) and colours.strip.paper_std > UNEVEN_STRIP:
        flags.add("strip-uneven")
    if glass_shines(evidence.glass):
        flags.add("bright-glass")
    if backing_is_coloured(evidence.backing, colours.to_srgb):
        flags.add("coloured-backing")
    return flags


def glass_shines(glass: FloatArray) -> bool:
    """Say whether the empty vessel is brighter than the backing: it mirrors light that lies over the liquid as well.

    Parameters
    ----------
    glass : array, shape (3,)
        Empty vessel over the backing there; nan when not seen.

    Returns
    -------
    bool
    """
    return bool(np.mean(glass) > SHINING_GLASS)


def backing_is_coloured(backing: FloatArray, to_srgb: FloatArray) -> bool:
    """Say whether the backing filters the light visibly, or is too dark to send much of it through.

    Parameters
    ----------
    backing : array, shape (3,)
        Backing relative to a perfect white, linear light of the picture's colour space.
    to_srgb : array, shape (3, 3)
        From that space to linear sRGB.

    Returns
    -------
    bool
    """
    lab = linear_srgb_to_lab(np.maximum(backing @ to_srgb.T, 0.0))
    return float(np.hypot(lab[1], lab[2])) > COLOURED_CHROMA or float(lab[0]) < DARK_LIGHTNESS


def refusal_flags(
    evidence: TubeEvidence, posterior: Posterior, lab: FloatArray, delta_e: float, chart: Chart
) -> set[str]:
    """Why no pH may be stated, or the empty set."""
    chroma = float(np.hypot(lab[1], lab[2]))
    paper_chroma = float(np.hypot(chart.lab[:, 1], chart.lab[:, 2]).min())
    if chroma < WATER_CHROMA and float(evidence.tube.min()) > WATER_RATIO and paper_chroma > 2 * WATER_CHROMA:
        return {"no-colour"}
    if posterior.valid < VALID_LOG_ODDS:
        if chroma < GREY_CHROMA:
            is_faint = chroma > FAINT_CHROMA and float(evidence.tube.max()) > FAINT_RATIO
            return {"turbid", "too-little-dye"} if is_faint else {"turbid"}
        return {"off-chart-colour"}
    if delta_e > OFF_CHART_DELTA_E:
        return {"off-chart-colour"}
    return set()


def chart_is_alike(chart: Chart, interval: Interval) -> bool:
    """Say whether a range is wide because the chart hardly changes colour over it.

    Parameters
    ----------
    chart : Chart
    interval : Interval
        Of one tube's pH; one that is open on a side is not judged.

    Returns
    -------
    bool
    """
    if interval.low is None or interval.high is None or interval.width <= ALIKE_PH:
        return False
    low, high = (float(np.clip(end, chart.ph[0], chart.ph[-1])) for end in (interval.low, interval.high))
    colours = shape_preserving_curve(chart.ph, chart.lab, np.linspace(low, high, 25))
    return bool(delta_e_cie2000(colours[:, None], colours[None]).max() < ALIKE_DELTA_E)


def distance_from_chart(colours: PictureColours, evidence: TubeEvidence) -> float:
    """CIEDE2000 from the liquid to the nearest colour that some pH and dye load explain."""
    return float(distances_from_chart(colours, [evidence])[0])


def distances_from_chart(colours: PictureColours, tubes: Sequence[TubeEvidence]) -> FloatArray:
    """Return `distance_from_chart` of the tubes of a picture, (t,)."""
    if not tubes:
        return np.zeros(0)
    labs = colours.corrected_lab(np.stack([evidence.tube for evidence in tubes]))
    explained = _explained_colours(colours)
    nearest = [int(np.argmin(((explained - lab) ** 2).sum(axis=1))) for lab in labs]
    most = delta_e_cie2000(explained[nearest], labs)[:, None]
    # Hue and chroma never make the difference less than the step in lightness over its weight, and that
    # is below 1 + 0.015 |mean L - 50|: what is farther off in lightness need not be worked out.
    light = labs[:, :1]
    step, mean = np.abs(explained[:, 0] - light), (explained[:, 0] + light) / 2
    tube, near = np.nonzero(step <= most * (1.0 + 0.015 * np.abs(mean - 50.0)) + 1e-9)
    away = delta_e_cie2000(explained[near], labs[tube])
    return np.asarray(np.minimum.reduceat(away, np.searchsorted(tube, np.arange(len(tubes)))))


@lru_cache(maxsize=1)
def _explained_colours(colours: PictureColours) -> FloatArray:
    """CIELAB of the patches' curve at many pH and dye loads; the same for all tubes of a picture."""
    usable = colours.strip.usable
    ph, patches = colours.chart.ph[usable], colours.patches[usable]
    curve = shape_preserving_curve(ph, absorbance(patches), np.linspace(ph[0], ph[-1], 121))
    loads = np.geomspace(0.3, 4.0, 25)
    light = 10.0 ** (-loads[:, None, None] * curve[None])
    return colours.corrected_lab(light.reshape(-1, 3))
