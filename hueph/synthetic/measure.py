"""The fast path: the mean colours a perfect locator would measure, without drawing a pixel."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from hueph._types import BoolArray, FloatArray
from hueph.synthetic.cameras import develop, to_linear_srgb
from hueph.synthetic.dyes import REFERENCE_BORE_MM
from hueph.synthetic.layout import patch_corners, project
from hueph.synthetic.scene import Scene
from hueph.synthetic.tubes import SPILL_AT, SPILL_WIDTH, Tube

__all__ = [
    "Region",
    "SceneMeasurements",
    "TubeSpectra",
    "exposure",
    "patch_positions",
    "simulate_measurements",
    "tube_absorbance",
    "tube_spectra",
]


@dataclass(frozen=True, slots=True)
class Region:
    """Mean colours of k regions of one kind.

    Attributes
    ----------
    srgb : array, shape (k, 3)
        Encoded picture values 0..1 in the picture's own space (see `SceneMeasurements.display_p3`).
    linear : array, shape (k, 3)
        Linear sRGB light decoded from them; may leave 0..1 in a Display P3 picture.
    std : array, shape (k, 3)
        Standard deviation of one pixel about the mean, linear sRGB.
    clipped : array of bool, shape (k, 3)
        A channel within one 8 bit code of either end of its range in the picture's own space.
    """

    srgb: FloatArray
    linear: FloatArray
    std: FloatArray
    clipped: BoolArray


@dataclass(frozen=True, slots=True)
class SceneMeasurements:
    """What `simulate_measurements` sees of one scene, with the truth beside it.

    Attributes
    ----------
    chart_ph : array, shape (n,)
    chart_srgb : array, shape (n, 3)
        Artwork of the card, encoded sRGB 0..1 (what a chart file holds).
    paper_srgb : array, shape (3,)
        Paper in the artwork, encoded.
    display_p3 : bool
        Whether encoded values are Display P3 numbers.
    patch, patch_paper : Region
        The n patches, and the paper beside each.
    tube, glass : Region
        For each of m tubes: central liquid column, empty glass above it.
    backing, backing_left, backing_right : Region
        Backing beside the liquid, at its height: mean of both sides, and each side. It carries the
        tube's own coloured light and shade, as in life.
    far_backing : Region
        Backing beside the empty glass, above the liquid.
    tube_ph : array, shape (m,)
        NaN where the tube holds no indicator sample.
    kind : str
    """

    chart_ph: FloatArray
    chart_srgb: FloatArray
    paper_srgb: FloatArray
    display_p3: bool
    patch: Region
    patch_paper: Region
    tube: Region
    glass: Region
    backing: Region
    backing_left: Region
    backing_right: Region
    far_backing: Region
    tube_ph: FloatArray
    kind: str


@dataclass(frozen=True, slots=True)
class TubeSpectra:
    """Reflectance-like spectra about one tube, each shape (n,); multiply by the light on the place."""

    liquid: FloatArray
    glass: FloatArray
    left: FloatArray
    right: FloatArray
    far: FloatArray


def tube_absorbance(scene: Scene, tube: Tube) -> FloatArray:
    """Return the decadic absorbance of the column across its bore, shape (n,)."""
    across = tube.bore_mm / REFERENCE_BORE_MM
    absorbance = across * tube.foreign
    if tube.ph is not None:
        absorbance = (
            absorbance + tube.load * across * scene.indicator.reference_absorbance(np.array([tube.ph]))[0]
        )
    return absorbance


def crossed_light(scene: Scene, index: int) -> FloatArray:
    """Return the light on the backing behind tube `index` over what falls beside all tubes, shape (n,)."""
    tube, optics = scene.tubes[index], scene.tubes[index].optics
    others = [other for other in scene.tubes if other is not tube]
    own = 10.0 ** (-optics.relit_path * tube_absorbance(scene, tube))
    if not others:
        return 1.0 - optics.relit + optics.relit * own
    nearest = min(others, key=lambda other: abs(float(other.position[0] - tube.position[0])))
    beside = 10.0 ** -tube_absorbance(scene, nearest)
    mixed = (1.0 - optics.neighbour) * own + optics.neighbour * beside
    light: FloatArray = 1.0 - optics.relit + optics.relit * mixed
    return light


def side_light(scene: Scene, index: int, side: int) -> FloatArray:
    """Return the light on the backing left (0) or right (1) of tube `index`, relative, shape (n,).

    Shade and coloured spill of the tube itself, and the spill of the next tube on that side.
    """
    tube, optics = scene.tubes[index], scene.tubes[index].optics
    once = 10.0 ** (-optics.path * tube_absorbance(scene, tube))
    spill = optics.side_spill[side]
    light = optics.side_shade[side] * (1.0 - spill + spill * once)
    other = index + (1 if side else -1)
    if 0 <= other < len(scene.tubes):
        facing = scene.tubes[other]
        gap = abs(float(facing.position[0] - tube.position[0])) * scene.size[0] / tube.width_px
        reach = float(np.exp(-0.5 * ((gap - 2.0 * SPILL_AT) / SPILL_WIDTH) ** 2))
        share = reach * facing.optics.side_spill[1 - side]
        light = light * (1.0 - share + share * 10.0 ** (-facing.optics.path * tube_absorbance(scene, facing)))
    return light


def tube_spectra(scene: Scene, index: int) -> TubeSpectra:
    """Return what is seen of tube `index` and its surroundings.

    The backing is seen through the tube; part of the light on that backing crossed this tube or its
    neighbour before; glass mirrors the surroundings on top.
    """
    tube, optics = scene.tubes[index], scene.tubes[index].optics
    absorbance = tube_absorbance(scene, tube)
    once = 10.0 ** (-optics.path * absorbance)
    behind = scene.backing * optics.shade * crossed_light(scene, index)
    seen = ((1.0 - optics.stray) * once + optics.stray) * behind * optics.empty * optics.clear
    if tube.haze:
        cloud = 1.0 - np.exp(-tube.haze)
        seen = (1.0 - cloud) * seen + cloud * 0.55 * optics.shade * once**0.5
    mirrored = optics.veil * (0.4 * scene.backing + 0.4)
    left, right = (scene.backing * side_light(scene, index, side) for side in (0, 1))
    far = scene.backing * np.sqrt(optics.shade)
    return TubeSpectra(seen + mirrored, optics.empty * far + mirrored, left, right, far)


def exposure(scene: Scene) -> FloatArray:
    """Return the factors from raw channels to balanced raw of this photograph, shape (3,).

    The camera meters the brightest white of the scene, the card's paper or the backing, and puts it
    at its `level`; the white balance has the camera's error.
    """
    camera = scene.camera
    white = camera.raw(scene.illumination.reference())
    brightest = (
        max(float(scene.backing.mean()), float(scene.card.paper.mean())) * scene.illumination.brightest()
    )
    factors: FloatArray = camera.wb_error / white * camera.level / brightest
    return factors


def _observe(
    scene: Scene,
    settings: tuple[FloatArray, FloatArray],
    radiance: FloatArray,
    positions: FloatArray,
    pixels: float,
    rng: np.random.Generator,
) -> Region:
    """Pass radiances (k, n) through the camera and average each over `pixels` pixels."""
    camera = scene.camera
    factors, matrix = settings
    raw = camera.raw(radiance) * factors
    radius2 = ((positions - 0.5) ** 2).sum(axis=1) / 0.5
    raw = raw * (1.0 - camera.vignette * radius2)[:, None]
    raw = raw + camera.flare * camera.raw(scene.illumination.reference() * scene.backing) * factors
    gain = factors / factors.min()
    variance = np.maximum(raw, 0.0) * gain / camera.full_well + (gain * camera.read / camera.full_well) ** 2
    # Pixels of a mosaic share their neighbours' noise, so a quarter of them counts.
    effective = max(pixels / 4.0, 1.0)
    mean_raw = raw + rng.normal(0.0, 1.0, raw.shape) * np.sqrt(variance / effective)
    # A channel with gain 1 clips at 1; the others have room above before the picture clips them.
    mean_raw = np.minimum(mean_raw, gain)
    encoded = develop(camera, mean_raw, matrix) + rng.normal(0.0, 0.0010, raw.shape)
    encoded = np.clip(encoded, 0.0, 1.0)
    linear = to_linear_srgb(camera, encoded)
    noisy = develop(camera, mean_raw + np.sqrt(variance) * rng.choice([-1.0, 1.0], raw.shape), matrix)
    std = 0.6 * np.abs(to_linear_srgb(camera, noisy) - linear) + 0.0005
    return Region(encoded, linear, std, (encoded <= 1.0 / 255.0) | (encoded >= 254.0 / 255.0))


def patch_positions(scene: Scene) -> FloatArray:
    """Return the centres of the patches in the frame, 0 to 1, shape (n, 2)."""
    centres = patch_corners(scene.card.layout).mean(axis=1)
    places: FloatArray = project(scene.card_to_picture, centres) / np.array(scene.size)
    return places


def simulate_measurements(scene: Scene, rng: np.random.Generator) -> SceneMeasurements:
    """Return the mean colours of every region of `scene` as one photograph shows them.

    Parameters
    ----------
    scene : Scene
        From `draw_world`.
    rng : Generator
        Draws noise and small local differences of light.

    Returns
    -------
    SceneMeasurements

    Notes
    -----
    The whole camera chain acts on the regions' mean spectra; noise is averaged over the pixels of a
    region, so clipping of single noisy pixels is not modelled here (the pixel path does).

    Examples
    --------
    >>> import numpy as np
    >>> from hueph.synthetic import draw_world
    >>> rng = np.random.default_rng(2)
    >>> seen = simulate_measurements(draw_world(rng, kind="sheet", tube_count=2), rng)
    >>> seen.tube.linear.shape
    (2, 3)
    """
    light = scene.illumination
    settings = (exposure(scene), scene.camera.matrix(light.reference()))
    places = patch_positions(scene)
    on_patch = light.at(places)
    uneven = np.exp(rng.normal(0.0, 0.004, (len(places), 1)))
    pixels = float(np.exp(rng.uniform(np.log(300.0), np.log(6000.0))))
    patch = _observe(scene, settings, scene.card.reflectance * on_patch, places, pixels, rng)
    near = _observe(scene, settings, scene.card.paper * on_patch * uneven, places, pixels / 2.0, rng)
    spots = np.stack([tube.position for tube in scene.tubes])
    on_tube = light.at(spots) * scene.tint()
    about = [tube_spectra(scene, index) for index in range(len(scene.tubes))]
    pixels = float(np.exp(rng.uniform(np.log(1500.0), np.log(15000.0))))

    def observe(name: str) -> Region:
        spectra = np.stack([getattr(item, name) for item in about])
        return _observe(scene, settings, spectra * on_tube, spots, pixels, rng)

    left, right = observe("left"), observe("right")
    both = Region(
        0.5 * (left.srgb + right.srgb),
        0.5 * (left.linear + right.linear),
        left.std,
        left.clipped | right.clipped,
    )
    return SceneMeasurements(
        chart_ph=scene.card.ph,
        chart_srgb=scene.card.artwork_srgb,
        paper_srgb=scene.card.paper_srgb,
        display_p3=scene.camera.display_p3,
        patch=patch,
        patch_paper=near,
        tube=observe("liquid"),
        glass=observe("glass"),
        backing=both,
        backing_left=left,
        backing_right=right,
        far_backing=observe("far"),
        tube_ph=np.array([np.nan if tube.ph is None else tube.ph for tube in scene.tubes]),
        kind=scene.kind,
    )
