"""The fast path: the mean colours a perfect locator would measure, without drawing a pixel."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from hueph._types import BoolArray, FloatArray
from hueph.synthetic.cameras import Camera, develop, to_linear_srgb
from hueph.synthetic.dyes import REFERENCE_BORE_MM, DYES, state_spectrum
from hueph.synthetic.scene import Scene, Tube
from hueph.synthetic.spectra import WAVELENGTHS_NM

__all__ = ["Region", "SceneMeasurements", "simulate_measurements", "tube_absorbance", "tube_radiance"]


@dataclass(frozen=True, slots=True)
class Region:
    """Mean colours of k regions of one kind.

    Attributes
    ----------
    srgb : array, shape (k, 3)
        Encoded picture values 0..1, in the picture's own space (sRGB or Display P3 numbers).
    linear : array, shape (k, 3)
        Linear sRGB light decoded from them; may leave 0..1 in a Display P3 picture.
    std : array, shape (k, 3)
        Standard deviation of one pixel about the mean, linear sRGB.
    clipped : array of bool, shape (k, 3)
        A channel at either end of its range in the picture's own space.
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
    patch, patch_paper : Region
        The n patches, and the paper beside each.
    tube, glass, backing : Region
        For each of m tubes: central liquid column, empty glass above it, backing beside it.
    tube_ph : array, shape (m,)
        NaN where the tube holds no indicator sample.
    tube_load, tube_bore_mm : array, shape (m,)
    """

    chart_ph: FloatArray
    chart_srgb: FloatArray
    paper_srgb: FloatArray
    patch: Region
    patch_paper: Region
    tube: Region
    glass: Region
    backing: Region
    tube_ph: FloatArray
    tube_load: FloatArray
    tube_bore_mm: FloatArray


def tube_absorbance(scene: Scene, tube: Tube) -> FloatArray:
    """Return the decadic absorbance of the column across its bore, shape (n,)."""
    across = tube.bore_mm / REFERENCE_BORE_MM
    if tube.ph is not None:
        return tube.load * across * scene.indicator.reference_absorbance(np.array([tube.ph]))[0]
    if tube.what == "food dye":
        spectrum = state_spectrum(DYES["tartrazine-like"].states[0]) * 0.4 + state_spectrum(DYES["xylene cyanol"].states[0])
        return across * 0.3 * spectrum
    return np.zeros_like(WAVELENGTHS_NM)


def tube_radiance(scene: Scene, tube: Tube) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return reflectance-like spectra of liquid column, empty glass and local backing, each (n,).

    Multiply by the light on the place for radiance. The backing is seen through the tube, and part of
    the light on that backing crossed the tube as well; glass mirrors the surroundings on top.
    """
    optics = tube.optics
    absorbance = tube_absorbance(scene, tube)
    once = 10.0 ** (-optics.path * absorbance)
    surroundings = 0.5 * scene.backing + 0.3
    lit = (1.0 - optics.relit) + optics.relit * once
    seen = ((1.0 - optics.stray) * once + optics.stray) * lit * scene.backing * optics.clear
    if tube.haze:
        cloud = 1.0 - np.exp(-tube.haze)
        seen = (1.0 - cloud) * seen + cloud * 0.6 * once**0.5
    liquid = seen + optics.veil * surroundings
    empty = optics.empty_clear * scene.backing + optics.empty_veil * surroundings
    beside = scene.backing * (1.0 + optics.spill * (once - 0.5))
    return liquid, empty, beside


def _expose(scene: Scene) -> tuple[float, FloatArray]:
    """Return the gain from light to level, and white-balance gains, from the light at the centre."""
    camera = scene.camera
    white = camera.raw(scene.illumination.reference())
    brightest = max(float(scene.backing.mean()), 0.55)
    gains = camera.wb_error / white
    return camera.level / brightest, gains


def _observe(
    scene: Scene, radiance: FloatArray, positions: FloatArray, pixels: float, rng: np.random.Generator
) -> Region:
    """Pass radiances (k, n) through the camera and average each over `pixels` pixels."""
    camera: Camera = scene.camera
    level, gains = _expose(scene)
    raw = camera.raw(radiance) * gains * level
    radius2 = ((positions - 0.5) ** 2).sum(axis=1) / 0.5
    raw = raw * (1.0 - camera.vignette * radius2)[:, None]
    mean_frame = camera.raw(scene.illumination.reference() * scene.backing) * gains * level
    raw = raw + camera.flare * mean_frame
    relative_gain = gains / gains.min()
    variance = np.maximum(raw, 0.0) * relative_gain / camera.full_well + (relative_gain * camera.read / camera.full_well) ** 2
    # Four pixels of a mosaic share their neighbours' noise, so count a quarter of them.
    effective = max(pixels / 4.0, 1.0)
    mean_raw = raw + rng.normal(0.0, 1.0, raw.shape) * np.sqrt(variance / effective)
    # The sensor's full well clips green first; white balance then scales the other channels.
    ceiling = relative_gain
    mean_raw = np.minimum(mean_raw, ceiling)
    matrix = camera.matrix(scene.illumination.reference())
    encoded = develop(camera, mean_raw, matrix)
    encoded = encoded + rng.normal(0.0, 0.0012, encoded.shape)
    encoded = np.clip(encoded, 0.0, 1.0)
    above = to_linear_srgb(camera, np.clip(develop(camera, mean_raw + np.sqrt(variance), matrix), 0.0, 1.0))
    linear = to_linear_srgb(camera, encoded)
    clipped = (encoded <= 0.004) | (encoded >= 0.996)
    return Region(encoded, linear, np.abs(above - linear) * 0.6, clipped)


def patch_positions(scene: Scene) -> FloatArray:
    """Return the centres of the patches in the frame, 0 to 1, shape (n, 2)."""
    count = len(scene.card.ph)
    x, y, width, height = scene.card_box
    index = np.arange(count)
    if scene.card.layout == "column":
        fraction = np.stack([np.full(count, 0.35), (index + 0.5) / count], axis=1)
        width, height = 0.12, 0.5
    elif scene.card.layout == "grid":
        columns = -(-count // 2)
        fraction = np.stack([(index % columns + 0.5) / columns, (index // columns) * 0.45 + 0.25], axis=1)
    else:
        fraction = np.stack([(index + 0.5) / count, np.full(count, 0.4)], axis=1)
    return np.array([x, y]) + fraction * np.array([width, height])


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
    >>> rng = np.random.default_rng(2)
    >>> seen = simulate_measurements(draw_world(rng, kind="sheet", tube_count=2), rng)
    >>> seen.tube.linear.shape
    (2, 3)
    """
    light = scene.illumination
    places = patch_positions(scene)
    on_patch = light.at(places)
    uneven = np.exp(rng.normal(0.0, 0.004, (len(places), 1)))
    patch_pixels = float(np.exp(rng.uniform(np.log(300.0), np.log(6000.0))))
    patch = _observe(scene, scene.card.reflectance * on_patch, places, patch_pixels, rng)
    near = _observe(scene, scene.card.paper * on_patch * uneven, places, patch_pixels / 2.0, rng)
    spots = np.stack([tube.position for tube in scene.tubes])
    on_tube = light.at(spots)
    spectra = np.stack([np.stack(tube_radiance(scene, tube)) for tube in scene.tubes])
    local = np.exp(rng.normal(0.0, 0.015, (len(spots), 3, 1)))
    spectra = spectra * local * on_tube[:, None, :]
    tube_pixels = float(np.exp(rng.uniform(np.log(1500.0), np.log(15000.0))))
    liquid, glass, beside = (_observe(scene, spectra[:, i], spots, tube_pixels, rng) for i in range(3))
    return SceneMeasurements(
        chart_ph=scene.card.ph,
        chart_srgb=scene.card.artwork_srgb,
        paper_srgb=scene.card.paper_srgb,
        patch=patch,
        patch_paper=near,
        tube=liquid,
        glass=glass,
        backing=beside,
        tube_ph=np.array([np.nan if tube.ph is None else tube.ph for tube in scene.tubes]),
        tube_load=np.array([tube.load for tube in scene.tubes]),
        tube_bore_mm=np.array([tube.bore_mm for tube in scene.tubes]),
    )
