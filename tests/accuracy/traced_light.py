"""Carry light through a scene of glass, coloured liquids and flat plates, with Mitsuba 3 finding the hits.

Why not the renderer's own spectral integrator: it draws a few wavelengths a path, and the colour noise
of that draw dies out only with thousands of paths a pixel. All media here absorb and none disperses, so
every wavelength takes the same path. A path is therefore traced once as bare geometry - Fresnel's split
at glass and liquid, millimetres run in each liquid - and ends at the first plate, lamp or wall of the
room; the spectra (32 nodes of 10 nm) are put on its end. Light is gathered in two steps:

1. Light maps. From every texel of every plate, paths leave in a mixture of three ways (cosine, towards
   the lamp, and at the slope of the lamp in any azimuth: an upright tube turns light sideways but keeps
   its slope, so this finds the caustics) and bring back the light of lamps, room and other plates
   (two bounces before). Shadows and coloured caustics are in these maps.
2. The eye. A pixel's path runs through the glass to the map it ends on. The path without any
   reflection is followed exactly, with its Fresnel loss; what is reflected is sampled beside it.

Mitsuba's `llvm_ad_mono` variant traces millions of rays together; it is imported when needed only.
"""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
from traced_glass import Eye
from traced_paths import FIRST_REFLECTIONS, GLASSY, NODES, SCATTERED, STEP_OFF, Lamp, Paths

from hueph._types import BoolArray, Float32Array, FloatArray, IntArray

__all__ = ["Tracer"]

LANES = 1 << 20  # paths traced together
WAYS = ("through", "scattered", "reflected")
COVER_MM = 3.0
CLOUD_SAMPLES, CLOUD_BLUR_PX = 128, 6.0


class Tracer(Paths):
    """Fills the light maps of a scene and looks at it."""

    def gather(self, bounces: tuple[int, ...] = (48, 96), samples: int = 1024) -> None:
        """Fill the light maps: rough ones for light between plates, then `samples` paths a texel."""
        hidden = [self._covered(plate) for plate in range(len(self.plates))]
        for number, count in enumerate((*bounces, samples)):
            maps = [self._gather_plate(plate, count, number) for plate in range(len(self.plates))]
            smooth = [
                self._smooth(plate, values, covered)
                for plate, (values, covered) in enumerate(zip(maps, hidden, strict=True))
            ]
            light = np.concatenate(smooth)
            self.light = light
            self.light_values = self.mi.Float(light.ravel())

    def _covered(self, number: int) -> BoolArray:
        """Return the texels of a plate that another plate lies on (as a card on the backing), (high, wide)."""
        mi, dr, plate = self.mi, self.dr, self.plates[number]
        wide, high = (int(value) for value in self.map_shapes[number])
        v, u = np.divmod(np.arange(wide * high), wide)
        points = plate.at((u + 0.5) / wide, (v + 0.5) / high) + STEP_OFF * plate.normal
        origin = mi.Point3f(*(mi.Float(axis.astype(np.float32)) for axis in points.T))
        ray = mi.Ray3f(origin, mi.Vector3f(*self._opaque(*plate.normal)))
        hit = self.scene.ray_intersect_preliminary(ray, coherent=True)
        surface = dr.gather(mi.UInt32, self.face_surface, hit.prim_index, hit.is_valid())
        close = hit.is_valid() & (hit.t < COVER_MM) & (surface < len(self.plates))
        mask: BoolArray = close.numpy().reshape(high, wide)
        return mask

    def _smooth(self, number: int, values: Float32Array, covered: BoolArray) -> Float32Array:
        """Return a light map blurred by a Gaussian of one texel (about a millimetre), all nodes alike.

        Covered texels take the value of the nearest free one first: their dark would leak out.
        """
        wide, high = (int(value) for value in self.map_shapes[number])
        layers = values.reshape(high, wide, -1)
        if covered.any() and not covered.all():
            mask = covered.astype(np.uint8)
            _, labels = cv2.distanceTransformWithLabels(mask, cv2.DIST_L2, 5, labelType=cv2.DIST_LABEL_PIXEL)
            free = np.empty(int(labels.max()) + 1, np.intp)
            free[labels[~covered]] = np.flatnonzero(~covered)
            layers = values[free[labels.ravel()]].reshape(high, wide, -1)
        blurred = [
            cv2.GaussianBlur(layers[..., k], (0, 0), 1.0, borderType=cv2.BORDER_REFLECT)
            for k in range(layers.shape[2])
        ]
        return np.stack(blurred, axis=-1).reshape(values.shape).astype(np.float32)

    def _gather_plate(self, number: int, samples: int, stage: int) -> Float32Array:
        """Return irradiance on the texels of one plate, shape (texels, lamps, nodes)."""
        mi, dr, plate = self.mi, self.dr, self.plates[number]
        wide, high = (int(value) for value in self.map_shapes[number])
        result = np.empty((wide * high, len(self.lamps), NODES), np.float32)
        block = LANES // samples
        frame = self._opaque(*plate.corner, *plate.across, *plate.up, *plate.normal)
        rng = np.random.default_rng((self.seed, stage, number))
        for start in range(0, wide * high, block):
            texels = np.arange(start, min(start + block, wide * high))
            place = np.stack([texels % wide, texels // wide], axis=1)
            shifts = rng.random((len(texels), 5)).astype(np.float32)
            lanes = dr.arange(mi.UInt32, len(texels) * samples)
            texel, sample = lanes // samples, mi.Float(lanes % samples)
            # A Kronecker sequence (powers of the root of x^6 = x + 1), shifted at random in each texel.
            draws = []
            for k in range(5):
                shift = dr.gather(mi.Float, mi.Float(shifts[:, k]), texel)
                # Stepwise so that single precision keeps its digits.
                turn = float(1.0 / 1.1347241384015194 ** (k + 1))
                value = shift + sample * turn
                draws.append(value - dr.floor(value))
            share = [
                (dr.gather(mi.Float, mi.Float(place[:, k].astype(np.float32)), texel) + draws[3 + k]) / size
                for k, size in enumerate(self._opaque(wide, high))
            ]
            corner, across, up, normal = (mi.Vector3f(*frame[3 * k : 3 * k + 3]) for k in range(4))
            point = corner + share[0] * across + share[1] * up + STEP_OFF * normal
            direction, weight = self._draw_direction(point, normal, abs(plate.normal[2]) < 0.5, draws)
            generator = mi.PCG32(
                size=len(texels) * samples,
                initstate=int(rng.integers(1 << 40)),
                initseq=int(rng.integers(1 << 40)),
            )
            state = self.trace(point, direction, generator, dr.opaque(mi.Int32, -1))
            brought = [value * weight for layer in self.ends(state) for value in layer]
            dr.eval(brought)
            sums = [dr.block_sum(value, samples).numpy() for value in brought]
            result[texels] = (np.stack(sums, axis=1) / samples).reshape(len(texels), len(self.lamps), NODES)
        return result

    def _draw_direction(self, point: Any, normal: Any, upright: bool, draws: list[Any]) -> tuple[Any, Any]:
        """Draw directions by the mixture of ways; return them and cosine over density."""
        mi, dr = self.mi, self.dr
        span = dr.pi if upright else 2.0 * dr.pi
        facing = dr.atan2(normal.y, normal.x) - 0.5 * span
        lamps = [
            self._opaque(*lamp.corner, *lamp.across, *lamp.up, *self._slopes(lamp)) for lamp in self.lamps
        ]
        direction = mi.warp.square_to_cosine_hemisphere(mi.Point2f(draws[1], draws[2]))
        direction = mi.Frame3f(normal).to_world(direction)
        shares = [0.3] + [0.35 / len(lamps)] * (2 * len(lamps))
        for number, lamp in enumerate(lamps):
            corner, across, up = (mi.Vector3f(*lamp[3 * k : 3 * k + 3]) for k in range(3))
            low, high = lamp[9], lamp[10]
            bound = sum(shares[: 1 + 2 * number])
            straight = dr.normalize(corner + draws[1] * across + draws[2] * up - point)
            direction = dr.select(draws[0] >= bound, straight, direction)
            z = low + (high - low) * draws[1]
            flat, angle = dr.sqrt(dr.maximum(1.0 - z * z, 0.0)), facing + span * draws[2]
            turned = mi.Vector3f(flat * dr.cos(angle), flat * dr.sin(angle), z)
            direction = dr.select(draws[0] >= bound + shares[1], turned, direction)
        cos = dr.dot(direction, normal)
        density = shares[0] * dr.maximum(cos, 0.0) / dr.pi
        azimuth = dr.atan2(direction.y, direction.x) - facing
        azimuth -= 2.0 * dr.pi * dr.floor(azimuth / (2.0 * dr.pi))
        for lamp in lamps:
            corner, across, up = (mi.Vector3f(*lamp[3 * k : 3 * k + 3]) for k in range(3))
            product = dr.cross(across, up)
            area = dr.norm(product)
            slant = dr.dot(direction, product) / area
            distance = dr.dot(corner - point, product) / (area * slant)
            local = point + distance * direction - corner
            u = dr.dot(local, across) / dr.squared_norm(across)
            v = dr.dot(local, up) / dr.squared_norm(up)
            inside = (distance > 0.0) & (u >= 0.0) & (u <= 1.0) & (v >= 0.0) & (v <= 1.0)
            density += dr.select(inside, shares[1] * distance * distance / (area * dr.abs(slant)), 0.0)
            within = (direction.z >= lamp[9]) & (direction.z <= lamp[10]) & (azimuth <= span)
            density += dr.select(within, shares[1] / (span * (lamp[10] - lamp[9])), 0.0)
        return direction, dr.select(cos > 0.0, cos / density, 0.0)

    def _slopes(self, lamp: Lamp) -> tuple[float, float]:
        """Return the range of z of unit vectors from the middle of the scene to a lamp, a little widened."""
        middle = np.array([0.0, 15.0, 40.0])
        corners = lamp.corner + np.array([[0, 0], [1, 0], [0, 1], [1, 1]]) @ np.stack([lamp.across, lamp.up])
        rays = corners - middle
        z = rays[:, 2] / np.linalg.norm(rays, axis=1)
        return float(max(z.min() - 0.06, -0.999)), float(min(z.max() + 0.06, 0.999))

    def look(
        self, eye: Eye, weights: FloatArray, samples: tuple[int, int, int] = (9, 16, 32)
    ) -> Float32Array:
        """Return the picture, shape (height, width, channels).

        Parameters
        ----------
        eye : Eye
        weights : array, shape (channels, lamps, nodes)
            What a channel makes of unit radiance of each lamp at each node.
        samples : tuple of int
            Paths a pixel: off glass, through glass, and by reflection at glass (the last a multiple
            of `FIRST_REFLECTIONS`).
        """
        wide, high = eye.size
        glass = cv2.dilate(self._glass(eye).astype(np.uint8), np.ones((5, 5), np.uint8)).ravel() > 0
        table = self.mi.Float(weights.astype(np.float32).ravel())
        picture = np.zeros((wide * high, len(weights)), np.float32)
        for mask, count, way in (
            (~glass, samples[0], "through"),
            (glass, samples[1], "through"),
            (glass, samples[2], "reflected"),
        ):
            self._add(picture, eye, np.flatnonzero(mask), count, table, way)
        if self.cloudy:
            # Light out of a cloud is sparse and bright, but smooth over the cloud: it is traced apart,
            # wherever a first try meets it, and blurred within those pixels, all channels alike.
            cloud = np.zeros_like(picture)
            self._add(cloud, eye, np.flatnonzero(glass), 8, table, "scattered")
            met = (cloud.sum(axis=1) > 0.0).reshape(high, wide).astype(np.uint8)
            mask = cv2.morphologyEx(met, cv2.MORPH_CLOSE, np.ones((3, 3), np.uint8)).ravel() > 0
            cloud[:] = 0.0
            self._add(cloud, eye, np.flatnonzero(mask), CLOUD_SAMPLES, table, "scattered")
            inside = mask.reshape(high, wide).astype(np.float32)
            share = np.maximum(cv2.GaussianBlur(inside, (0, 0), CLOUD_BLUR_PX), 1e-3)
            for channel in range(len(weights)):
                layer = cloud[:, channel].reshape(high, wide)
                blurred = cv2.GaussianBlur(layer, (0, 0), CLOUD_BLUR_PX) / share * inside
                picture[:, channel] += blurred.ravel()
        return picture.reshape(high, wide, len(weights))

    def _add(
        self, picture: Float32Array, eye: Eye, pixels: IntArray, samples: int, table: Any, way: str
    ) -> None:
        """Add the channels that one way of light brings to some pixels of a picture (pixels, channels)."""
        step = LANES // samples
        for start in range(0, len(pixels), step):
            block = pixels[start : start + step]
            picture[block] += self._look_at(eye, block, samples, table, picture.shape[1], way)

    def _rays(self, eye: Eye, x: Any, y: Any) -> tuple[Any, Any]:
        """Return origin and direction of rays through pixels (x, y)."""
        mi, dr = self.mi, self.dr
        values = self._opaque(*eye.place, *eye.axes.ravel(), eye.size[0] / 2, eye.size[1] / 2, eye.focal_px)
        right, down, forward = (mi.Vector3f(*values[3 * k : 3 * k + 3]) for k in range(1, 4))
        direction = (x - values[12]) * right + (y - values[13]) * down + values[14] * forward
        return mi.Point3f(*values[:3]) + dr.zeros(mi.Point3f, dr.width(x)), dr.normalize(direction)

    def _glass(self, eye: Eye) -> BoolArray:
        """Return which pixels show glass in their middle, shape (height, width)."""
        mi, dr = self.mi, self.dr
        wide, high = eye.size
        lane = dr.arange(mi.UInt32, wide * high)
        origin, direction = self._rays(eye, mi.Float(lane % wide) + 0.5, mi.Float(lane // wide) + 0.5)
        hit = self.scene.ray_intersect_preliminary(mi.Ray3f(origin, direction), coherent=True)
        surface = dr.gather(mi.UInt32, self.face_surface, hit.prim_index, hit.is_valid())
        seen = hit.is_valid() & (dr.gather(mi.UInt32, self.kind, surface, hit.is_valid()) == GLASSY)
        mask: BoolArray = seen.numpy().reshape(high, wide)
        return mask

    def _look_at(
        self, eye: Eye, pixels: IntArray, samples: int, table: Any, channels: int, way: str
    ) -> Float32Array:
        """Return channels (n, channels) of some pixels.

        `way`: "through" (no reflection, no cloud), "scattered" (into a cloud without reflection) or
        "reflected" (whatever begins with a reflection); together they are all light.
        """
        mi, dr = self.mi, self.dr
        rng = np.random.default_rng((self.seed, int(pixels[0]), WAYS.index(way)))
        lanes = len(pixels) * samples
        generator = mi.PCG32(
            size=lanes, initstate=int(rng.integers(1 << 40)), initseq=int(rng.integers(1 << 40))
        )
        lane = dr.arange(mi.UInt32, lanes)
        pixel = dr.gather(mi.UInt32, mi.UInt32(pixels.astype(np.uint32)), lane // samples)
        wide = dr.opaque(mi.UInt32, eye.size[0])
        rows = next(count for count in range(int(samples**0.5), 0, -1) if samples % count == 0)
        cols, inside = samples // rows, lane % samples
        x = mi.Float(pixel % wide) + (mi.Float(inside % cols) + generator.next_float32()) / cols
        y = mi.Float(pixel // wide) + (mi.Float(inside // cols) + generator.next_float32()) / rows
        origin, direction = self._rays(eye, x, y)
        if way == "reflected":
            # Every interface gets its turn equally often, wherever in the pixel.
            turn = mi.Int32((inside + 3 * (inside // FIRST_REFLECTIONS)) % FIRST_REFLECTIONS)
            state = self.trace(origin, direction, generator, turn)
            state["weight"] *= FIRST_REFLECTIONS
        else:
            state = self.trace(origin, direction, generator, dr.opaque(mi.Int32, 1 << 16))
            scattered = state["count"] >= SCATTERED
            wanted = scattered if way == "scattered" else ~scattered
            state["weight"] = dr.select(wanted, state["weight"], 0.0)
        ends = self.ends(state)
        nodes = len(self.lamps) * NODES
        brought = []
        for channel in range(channels):
            total = mi.Float(0.0)
            for lamp, layer in enumerate(ends):
                for node, value in enumerate(layer):
                    place = mi.UInt32(channel * nodes + lamp * NODES + node)
                    total += dr.gather(mi.Float, table, place) * value
            brought.append(total)
        dr.eval(brought)
        sums = [dr.block_sum(value, samples).numpy() for value in brought]
        result: Float32Array = (np.stack(sums, axis=1) / samples).astype(np.float32)
        return result
