"""The smallest standard deviation that any reading of pH can have: the physics behind `limit.py`.

**What a tube shows.** Light of spectrum L falls on a backing B and crosses liquid of decadic absorbance
l a(pH) (l: dye load, a: the dyes at the card's load). A camera of sensitivities S_c counts, per pixel and
channel c, light of mean m_c = g_c int S_c L B 10^(-l a) with a variance m_c / N + (r / N)^2 (photons and read
noise; N electrons at full well). Over n pixels of the liquid's core the variance of the mean falls to 4 / n
of it, because a mosaic measures one channel in four pixels. What a camera does afterwards (matrix, tone curve)
is the same function for every pixel and can only lose information. Rounding to 8 bit adds nothing: the
noise of single pixels is larger than a step.

**Perfect ruler.** Somebody knows dyes, lamp, camera and glass and only asks for pH and load. With mean m and
covariance C of the three channels and D the derivatives of m by pH and ln l, the Fisher information is
J = D' C^-1 D (the part from the variance's own dependence on pH is left out: it is smaller by the number of
electrons). ln l has a normal prior (k = 1: `LOAD_STD`), pH one as wide as the card. The bound is the pH element
of J^-1 (Cramer 1946, Rao 1945; with priors: van Trees 1968, "Detection, Estimation, and Modulation Theory I",
section 2.4; both from memory).

**Real ruler.** Only the card says what the liquid looks like at a pH. In coordinates u_c = -log10 of light over
light beside it, the tube is the card's curve at pH, times load, plus nuisances. To first order each nuisance
adds a covariance to C, and the bound is the same formula with the sum:

- noise: pixels of the tube, and of the two patches about it;
- light: brightness of the backing behind the tube against that beside it, coloured spill there;
- glass: stray and mirrored light, light that crossed the tube twice, path;
- correction: tone curve and saturation bend a tube of another load than the card's unlike the patch;
- print: scatter of single patches (CIELAB), with the weights of the two patches about pH;
- card to liquid: veil of white, loss of saturation and load the artist drew, and inks that match the liquid
  under one lamp only (metamerism; its covariance is worked out from drawn lamps, cameras and inks);
- interpolation: what a shape-preserving curve through the patches is off between them.

All priors are those of the drawn worlds (`hueph.synthetic`), so the bound holds for them and for no others.
First order means: it is too small where the colour bends strongly within the uncertainty. Knowledge that
several tubes of one picture share card and light is not used; it could make a reading better than this bound.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from scipy.interpolate import PchipInterpolator

from hueph._types import FloatArray
from hueph.colour.lab import lab_to_xyz, xyz_to_lab
from hueph.colour.srgb import SRGB_TO_XYZ, XYZ_TO_SRGB
from hueph.synthetic import Scene
from hueph.synthetic.cameras import LUMA, develop, draw_camera, to_linear_srgb
from hueph.synthetic.card import INKS, liquid_srgb_linear, print_reflectance
from hueph.synthetic.dyes import Indicator
from hueph.synthetic.lights import draw_light
from hueph.synthetic.measure import exposure, tube_spectra
from hueph.synthetic.spectra import WAVELENGTHS_NM

SOURCES = ("noise", "light", "glass", "correction", "print", "card to liquid", "interpolation")
# Standard deviations (k = 1) of what the renderer draws; see there.
LOAD_STD = 0.33
BRIGHTNESS_STD, TINT_STD, SPILL_STD = 0.11, 0.012, 0.06
GLASS_STD: Mapping[str, float] = {
    "stray": 0.010, "veil": 0.006, "relit": 0.30, "relit_path": 0.15, "path": 0.04,
}  # fmt: skip
CONTRAST_STD, SATURATION_STD = 0.10, 0.072
PRINT_LAB_STD = np.array([0.9, 1.6, 1.6])
VEIL, VEIL_STD, LOSS, LOSS_STD, ARTIST_LOAD_STD = 0.05, 0.029, 0.06, 0.058, 0.08
# Pixels of a liquid's core and of a patch: middle of what the fast path draws.
CORE_PIXELS, PATCH_PIXELS = 4700.0, 1340.0
PIXELS_PER_SAMPLE = 4.0
STEP = 0.01
LN10 = float(np.log(10.0))


@dataclass(frozen=True)
class Bound:
    """Smallest standard deviation of pH, and the variance each source contributes to its square."""

    std: float
    parts: Mapping[str, float]


def bounded(jacobian: FloatArray, covariances: Mapping[str, FloatArray], prior_std: FloatArray) -> Bound:
    """Return the bound of the first parameter.

    Parameters
    ----------
    jacobian : array, shape (m, k)
        Derivatives of the m observations by the k parameters.
    covariances : mapping of name to array, shape (m, m)
        Independent sources of error of the observations; at least their sum is regular.
    prior_std : array, shape (k,)
        Of normal priors; inf for none.

    Returns
    -------
    Bound
        The parts are shares of the best linear estimator's variance; together with "prior" they add up.
    """
    total = np.asarray(sum(covariances.values()))
    weighted = np.linalg.solve(total, jacobian)
    precision = 1.0 / np.asarray(prior_std, dtype=np.float64) ** 2
    inverse = np.linalg.inv(jacobian.T @ weighted + np.diag(precision))
    gain = inverse[0] @ weighted.T
    parts = {name: float(gain @ covariance @ gain) for name, covariance in covariances.items()}
    parts["prior"] = float(inverse[0] ** 2 @ precision)
    return Bound(float(np.sqrt(inverse[0, 0])), parts)


# ---------------------------------------------------------------- the tube


def raw_liquid(scene: Scene, index: int, **changes: Any) -> FloatArray:
    """Return the balanced raw channels of a liquid's core after changes of its tube, shape (3,)."""
    tubes = list(scene.tubes)
    optics = {key: value for key, value in changes.items() if key in GLASS_STD}
    own = {key: value for key, value in changes.items() if key not in GLASS_STD}
    tubes[index] = replace(tubes[index], optics=replace(tubes[index].optics, **optics), **own)
    changed = replace(scene, tubes=tuple(tubes))
    return raw_of(scene, index, tube_spectra(changed, index).liquid)


def raw_of(scene: Scene, index: int, reflectance: FloatArray) -> FloatArray:
    """Return the balanced raw channels of a reflectance at a tube's place, shape (3,)."""
    light = scene.illumination.at(scene.tubes[index].position[None])[0] * scene.tint()
    raw: FloatArray = scene.camera.raw(reflectance * light) * exposure(scene)
    return raw


def pixel_variance(scene: Scene, raw: FloatArray) -> FloatArray:
    """Return the variance of one pixel of balanced raw channels (3,)."""
    camera, factors = scene.camera, exposure(scene)
    gain = factors / factors.min()
    return np.asarray(
        np.maximum(raw, 0.0) * gain / camera.full_well + (gain * camera.read / camera.full_well) ** 2
    )


def derivative(seen: Callable[[float], FloatArray], step: float = STEP) -> FloatArray:
    """Return the central difference about 0."""
    return np.asarray((seen(step) - seen(-step)) / (2.0 * step))


def tube_jacobian(scene: Scene, index: int) -> FloatArray:
    """Return derivatives of balanced raw by pH and by ln load, shape (3, 2)."""
    tube = scene.tubes[index]
    ph = float(tube.ph if tube.ph is not None else np.nan)
    by_ph = derivative(lambda step: raw_liquid(scene, index, ph=ph + step))
    by_load = derivative(lambda step: raw_liquid(scene, index, load=tube.load * float(np.exp(step))))
    return np.stack([by_ph, by_load], axis=1)


def prior_of(scene: Scene) -> FloatArray:
    """Return the standard deviations of the priors of pH (uniform over the card) and ln load."""
    wide = float(scene.card.ph[-1] - scene.card.ph[0])
    return np.array([wide / np.sqrt(12.0), LOAD_STD])


def perfect_bound(scene: Scene, index: int, pixels: float = CORE_PIXELS) -> Bound:
    """Return the bound of one tube's pH when everything but pH and load is known."""
    variance = pixel_variance(scene, raw_liquid(scene, index)) * PIXELS_PER_SAMPLE / pixels
    return bounded(tube_jacobian(scene, index), {"noise": np.diag(variance)}, prior_of(scene))


def real_bound(scene: Scene, index: int, metamerism: Metamerism, pixels: float = CORE_PIXELS) -> Bound:
    """Return the bound of one tube's pH when only the card says what the liquid looks like.

    The true pH must lie on the card.
    """
    raw = raw_liquid(scene, index)
    slope = -1.0 / (LN10 * raw)
    covariances = {
        **tube_covariances(scene, index, raw, pixels),
        **card_covariances(scene, index, metamerism),
    }
    variance = pixel_variance(scene, raw) * PIXELS_PER_SAMPLE / pixels
    covariances["noise"] = covariances["noise"] + np.diag(slope**2 * variance)
    return bounded(slope[:, None] * tube_jacobian(scene, index), covariances, prior_of(scene))


def tube_covariances(scene: Scene, index: int, raw: FloatArray, pixels: float) -> dict[str, FloatArray]:
    """Return covariances of u (3, 3) from the light and the glass about a tube."""
    return {name: outer(ways) for name, ways in tube_directions(scene, index, raw).items()}


def tube_directions(
    scene: Scene, index: int, raw: FloatArray, spread: Mapping[str, float] = GLASS_STD
) -> dict[str, FloatArray]:
    """Return what one standard deviation of each nuisance of light and glass moves u by, arrays (n, 3).

    `spread` has the standard deviations of what the glass does; rows are in its order.
    """
    tube = scene.tubes[index]
    through = 10.0 ** (-tube.load * scene.indicator.reference_absorbance(np.array([tube.ph]))[0])
    spilled = raw_of(scene, index, scene.backing * through) / raw_of(scene, index, scene.backing)
    light = [
        np.full(3, BRIGHTNESS_STD),
        *(TINT_STD * axis for axis in np.eye(3)),
        SPILL_STD * (1.0 - spilled),
    ]
    glass = []
    for name, std in spread.items():
        centre = float(getattr(tube.optics, name))
        glass.append(
            std
            * derivative(lambda step, n=name, c=centre: raw_liquid(scene, index, **{n: c + step}), 1e-3)
            / raw
        )
    return {"light": np.stack(light) / LN10, "glass": np.stack(glass) / LN10}


def outer(directions: FloatArray) -> FloatArray:
    """Return the covariance of independent errors along directions of one standard deviation each."""
    return np.asarray(directions.T @ directions)


# ---------------------------------------------------------------- the card


@dataclass(frozen=True)
class Metamerism:
    """Differences of u between inks and liquid of one colour at pH values, over drawn equipment (worlds, n, 3)."""

    ph: FloatArray
    draws: FloatArray

    def at(self, ph: float) -> FloatArray:
        """Return what one standard deviation of each drawn equipment moves u by at a pH, (worlds, 3)."""
        place = np.interp(ph, self.ph, np.arange(len(self.ph)))
        knot = min(int(place), len(self.ph) - 2)
        left, right = self.draws[:, knot], self.draws[:, knot + 1]
        between = left + (place - knot) * (right - left)
        # Equipment at two pH values is not wholly alike: what lies between would scatter too little.
        far = np.sqrt((1.0 - place + knot) * (left**2).sum() + (place - knot) * (right**2).sum())
        return np.asarray(between * far / max(float(np.linalg.norm(between)), 1e-12))


def draw_metamerism(indicator: Indicator, rng: np.random.Generator, worlds: int = 40) -> Metamerism:
    """Print the liquid's own colours with random inks and see them by random cameras under random lamps."""
    ph = np.linspace(*indicator.span, 9)
    liquid = 10.0 ** -indicator.reference_absorbance(ph)
    goal = np.clip(liquid_srgb_linear(indicator, ph, 1.0), 0.002, 1.0)
    paper = np.full_like(WAVELENGTHS_NM, 0.95)
    differences = []
    for _ in range(worlds):
        name = str(rng.choice(INKS, p=[0.70, 0.20, 0.10]))
        printed = print_reflectance(goal, paper, rng, name)
        camera, lamp = draw_camera(rng), draw_light(rng).power
        white = camera.raw(lamp)
        seen = [np.maximum(camera.raw(lamp * surface) / white, 0.003) for surface in (printed, liquid)]
        differences.append(np.log10(seen[0]) - np.log10(seen[1]))
    # What all equipment has in common can be learned and does not count.
    stack = np.stack(differences) - np.mean(differences, axis=0)
    return Metamerism(ph, stack / np.sqrt(worlds - 1))


def card_covariances(scene: Scene, index: int, metamerism: Metamerism) -> dict[str, FloatArray]:
    """Return covariances of u (3, 3) from the patches about a tube's pH, at the tube's load."""
    return {name: outer(ways) for name, ways in card_directions(scene, index, metamerism).items()}


def card_directions(scene: Scene, index: int, metamerism: Metamerism) -> dict[str, FloatArray]:
    """Return what one standard deviation of each nuisance of the card moves a tube's u by, arrays (n, 3).

    "print" has three rows for each patch of the card, "interpolation" one for each, the end of its interval;
    "correction" has two, contrast and saturation.
    """
    tube, camera, indicator = scene.tubes[index], scene.camera, scene.indicator
    ph, knots, load = float(tube.ph or 0.0), scene.card.ph, tube.load
    light = scene.illumination.reference()
    to_raw = np.linalg.inv(camera.matrix(light))
    right = int(np.clip(np.searchsorted(knots, ph), 1, len(knots) - 1))
    share = float((ph - knots[right - 1]) / (knots[right] - knots[right - 1]))

    def patch(veil: float = VEIL, loss: float = LOSS, amount: float = 1.0) -> FloatArray:
        return drawn_colour(liquid_srgb_linear(indicator, np.array([ph]), amount)[0], veil, loss)

    def in_u(change: FloatArray) -> FloatArray:
        return np.asarray(to_raw @ change / (LN10 * np.maximum(to_raw @ patch(), 0.003)))

    lab = xyz_to_lab(SRGB_TO_XYZ @ patch())
    printing = [
        in_u(derivative(lambda step, a=axis: XYZ_TO_SRGB @ lab_to_xyz(lab + step * a), 0.1) * std)
        for axis, std in zip(np.eye(3), PRINT_LAB_STD, strict=True)
    ]
    drawing = [
        in_u(VEIL_STD * derivative(lambda step: patch(veil=VEIL + step))),
        in_u(LOSS_STD * derivative(lambda step: patch(loss=LOSS + step))),
        in_u(ARTIST_LOAD_STD * derivative(lambda step: patch(amount=1.0 + step))),
    ]
    patch_raw = np.maximum(to_raw @ patch(), 0.003) * camera.level
    noise = pixel_variance(scene, patch_raw) * PIXELS_PER_SAMPLE / PATCH_PIXELS / (LN10 * patch_raw) ** 2
    patches = np.zeros((len(knots), 3, 3))
    patches[right - 1], patches[right] = (1.0 - share) * np.array(printing), share * np.array(printing)
    bends = np.zeros((len(knots), 3))
    bends[right] = interpolation_error(scene, ph, light)
    return {
        "noise": load * np.sqrt((1.0 - share) ** 2 + share**2) * np.diag(np.sqrt(noise)),
        "print": load * patches.reshape(-1, 3),
        "card to liquid": load * np.vstack([drawing, metamerism.at(ph)]),
        "interpolation": load * bends,
        "correction": correction_directions(scene, index, patch(), light),
    }


def drawn_colour(linear: FloatArray, veil: float, loss: float) -> FloatArray:
    """Return the linear sRGB an artist makes of a liquid's, shape (3,)."""
    grey = linear @ LUMA
    colour: FloatArray = veil + (1.0 - veil) * np.maximum(grey + (1.0 - loss) * (linear - grey), 0.0)
    return colour


def interpolation_error(scene: Scene, ph: float, light: FloatArray) -> FloatArray:
    """Return the curve through perfect patches less the liquid itself, in u, shape (3,)."""
    white = scene.camera.raw(light)

    def seen(at: FloatArray) -> FloatArray:
        through = 10.0 ** -scene.indicator.reference_absorbance(at)
        return np.asarray(-np.log10(scene.camera.raw(light * through) / white))

    curve = PchipInterpolator(scene.card.ph, seen(scene.card.ph), axis=0)(ph)
    return np.asarray(curve - seen(np.array([ph]))[0])


def correction_directions(scene: Scene, index: int, patch: FloatArray, light: FloatArray) -> FloatArray:
    """Return what one standard deviation of a tone curve and of a saturation that nobody knows moves u by, (2, 3).

    They act on tube and patch alike; what counts is how differently they move the two.
    """
    camera, matrix = scene.camera, scene.camera.matrix(light)
    white = raw_of(scene, index, scene.backing)
    tube = raw_liquid(scene, index) / white * camera.level
    ink = np.linalg.inv(matrix) @ patch * camera.level

    def ratio(**changes: float) -> FloatArray:
        seen = replace(camera, **changes)
        colours = to_linear_srgb(seen, develop(seen, np.stack([tube, ink]), matrix))
        return np.asarray(np.diff(np.log10(np.maximum(colours, 0.003)), axis=0)[0])

    moves = [
        CONTRAST_STD * derivative(lambda step: ratio(contrast=camera.contrast + step)),
        SATURATION_STD * derivative(lambda step: ratio(saturation=camera.saturation + step)),
    ]
    return np.stack(moves)
