"""Glass vessels as turned surfaces, flat plates, and a pinhole camera: geometry for `path_trace.py`.

Lengths are millimetres; x to the right, y towards the viewer, z up. Every surface divides two media:
its normals point into the front one. Nothing here needs the renderer.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from hueph._types import FloatArray, IntArray

__all__ = ["AIR", "GLASS", "Eye", "Mesh", "Plate", "Vessel"]

AIR, GLASS = 0, 1  # medium 2 + k is the liquid of tube k
SEGMENTS = 384


@dataclass(frozen=True, slots=True)
class Plate:
    """A flat diffuse rectangle: corner, two edges (mm), spectra of its materials and a raster of them.

    `across` x `up` points to the lit side. `raster` (rows from the corner upwards) names the material
    at each place; `step` is the spacing of the light map on it, mm.
    """

    corner: FloatArray
    across: FloatArray
    up: FloatArray
    reflectances: FloatArray
    raster: IntArray
    step: float

    @property
    def normal(self) -> FloatArray:
        """Return the unit vector on the lit side."""
        product = np.cross(self.across, self.up)
        unit: FloatArray = product / np.linalg.norm(product)
        return unit

    def at(self, u: FloatArray, v: FloatArray) -> FloatArray:
        """Return points at shares u, v (n,) of the edges, shape (n, 3)."""
        points: FloatArray = self.corner + np.multiply.outer(u, self.across) + np.multiply.outer(v, self.up)
        return points


@dataclass(frozen=True, slots=True)
class Eye:
    """A pinhole camera: where it stands, its axes (right, down, forward) and focal length in pixels."""

    place: FloatArray
    axes: FloatArray
    focal_px: float
    size: tuple[int, int]

    @classmethod
    def looking(
        cls, place: FloatArray, target: FloatArray, roll: float, focal_px: float, size: tuple[int, int]
    ) -> Eye:
        """Return the camera at `place` that has `target` in the middle, turned by `roll` radians."""
        forward = (target - place) / np.linalg.norm(target - place)
        right = np.cross(forward, [0.0, 0.0, 1.0])
        right /= np.linalg.norm(right)
        down = np.cross(forward, right)
        cos, sin = np.cos(roll), np.sin(roll)
        axes = np.stack([cos * right + sin * down, cos * down - sin * right, forward])
        return cls(place, axes, focal_px, size)

    def project(self, points: FloatArray) -> FloatArray:
        """Return pixels (..., 2) of points (..., 3); pixel centres lie at whole numbers plus a half."""
        local = (np.asarray(points) - self.place) @ self.axes.T
        middle = np.array(self.size) / 2.0
        pixels: FloatArray = middle + self.focal_px * local[..., :2] / local[..., 2:]
        return pixels


@dataclass
class Mesh:
    """Triangles of all surfaces of a scene with normals, growing as parts are added."""

    points: list[FloatArray] = field(default_factory=list)
    normals: list[FloatArray] = field(default_factory=list)
    faces: list[IntArray] = field(default_factory=list)
    surfaces: list[IntArray] = field(default_factory=list)
    count: int = 0

    def add(self, points: FloatArray, normals: FloatArray, faces: IntArray, surface: int) -> None:
        """Append a part; `surface` is the number its faces carry."""
        self.faces.append(faces + self.count)
        self.points.append(points)
        self.normals.append(normals)
        self.surfaces.append(np.full(len(faces), surface, np.int64))
        self.count += len(points)

    def add_rectangle(self, corner: FloatArray, across: FloatArray, up: FloatArray, surface: int) -> None:
        """Append a rectangle."""
        normal = np.cross(across, up)
        points = np.stack([corner, corner + across, corner + across + up, corner + up])
        normals = np.tile(normal / np.linalg.norm(normal), (4, 1))
        self.add(points, normals, np.array([[0, 1, 2], [0, 2, 3]]), surface)


@dataclass(frozen=True, slots=True)
class Vessel:
    """One vessel of turned glass with liquid in it, standing on `foot` along `axis`.

    Attributes
    ----------
    foot : array, shape (3,)
        Lowest point of the glass on its axis.
    axis : array, shape (3,)
        Unit vector from the foot to the mouth.
    outer, inner : float
        Radii, mm.
    length : float
        From the foot to the rim, mm.
    level : float
        Height of the flat middle of the meniscus above the foot, mm.
    rise : float
        How much higher the liquid stands at the wall, mm.
    round_bottom : bool
        A half sphere, else a flat bottom with a small fillet.
    """

    foot: FloatArray
    axis: FloatArray
    outer: float
    inner: float
    length: float
    level: float
    rise: float
    round_bottom: bool = True

    @classmethod
    def level_of(cls, volume_ml: float, outer: float, inner: float, round_bottom: bool) -> float:
        """Return the height above the foot of `volume_ml` of liquid (fillet and meniscus left out)."""
        area = np.pi * inner * inner
        if round_bottom:
            return float(outer + (1000.0 * volume_ml - 2.0 / 3.0 * area * inner) / area)
        return float(1.6 * (outer - inner) + 1000.0 * volume_ml / area)

    def _bottom(self, radius: float, low: float) -> tuple[FloatArray, FloatArray]:
        """Return points and normals (n, 2) from the axis to the wall of a bottom whose lowest is `low`."""
        if self.round_bottom:
            angle = np.linspace(0.0, 0.5 * np.pi, 40)
            normal = np.stack([np.sin(angle), -np.cos(angle)], axis=1)
            return np.array([0.0, self.outer]) + radius * normal, normal
        bend = min(1.5, 0.3 * radius)
        angle = np.linspace(0.0, 0.5 * np.pi, 12)
        turn = np.stack([np.sin(angle), -np.cos(angle)], axis=1)
        points = np.concatenate([[[0.0, low]], np.array([radius - bend, low + bend]) + bend * turn])
        return points, np.concatenate([[[0.0, -1.0]], turn])

    def profiles(self) -> tuple[tuple[FloatArray, FloatArray], ...]:
        """Return (points, normals) of air to glass, glass to liquid and air to liquid, radius and height."""
        contact = self.level + self.rise
        points, normals = self._bottom(self.outer, 0.0)
        half = 0.5 * (self.outer - self.inner)
        angle = np.linspace(0.0, np.pi, 14)
        lip = np.stack([np.cos(angle), np.sin(angle)], axis=1)
        rim = np.array([self.outer - half, self.length - half]) + half * lip
        dry = (
            np.concatenate([points, rim, [[self.inner, contact]]]),
            np.concatenate([normals, lip, [[-1.0, 0.0]]]),
        )
        points, normals = self._bottom(self.inner, 1.6 * (self.outer - self.inner))
        wet = (
            np.concatenate([points, [[self.inner, contact]]]),
            np.concatenate([normals, [[1.0, 0.0]]]),
        )
        # A meniscus falls off from the wall over about a capillary length (2.7 mm for water) or less.
        away, reach = self.inner * (1.0 - np.linspace(0.0, 1.0, 40) ** 0.5), 1.5
        height = self.rise * np.exp(-away / reach)
        slope = height / reach
        up = np.stack([-slope, np.ones_like(slope)], axis=1)
        surface = (
            np.stack([self.inner - away, self.level + height], axis=1),
            up / np.linalg.norm(up, axis=1, keepdims=True),
        )
        return dry, wet, surface

    def frame(self) -> FloatArray:
        """Return two unit vectors across the axis, and the axis, shape (3, 3)."""
        first = np.cross([0.0, 1.0, 0.0], self.axis)
        first /= np.linalg.norm(first)
        return np.stack([first, np.cross(self.axis, first), self.axis])

    def add_to(self, mesh: Mesh, first_surface: int) -> None:
        """Append the three surfaces, numbered from `first_surface`."""
        angle = 2.0 * np.pi * np.arange(SEGMENTS) / SEGMENTS
        ring = np.stack([np.cos(angle), np.sin(angle)], axis=1)
        frame = self.frame()
        for number, (points, normals) in enumerate(self.profiles()):
            places, directions = (
                np.concatenate(
                    [
                        values[:, None, :1] * ring,
                        np.broadcast_to(values[:, None, 1:], (len(values), SEGMENTS, 1)),
                    ],
                    axis=2,
                ).reshape(-1, 3)
                @ frame
                for values in (points, normals)
            )
            row, col = np.meshgrid(np.arange(len(points) - 1), np.arange(SEGMENTS), indexing="ij")
            after = (col + 1) % SEGMENTS
            a, b = row * SEGMENTS + col, row * SEGMENTS + after
            c, d = a + SEGMENTS, b + SEGMENTS
            faces = np.stack([np.stack([a, b, d], axis=-1), np.stack([a, d, c], axis=-1)]).reshape(-1, 3)
            mesh.add(self.foot + places, directions, faces, first_surface + number)

    def outline(self, eye: Eye, low: float, high: float) -> FloatArray:
        """Return the corners of the vessel between two heights, clockwise from the top left, pixels."""
        middle = self.foot + 0.5 * (low + high) * self.axis
        across = np.cross(middle - eye.place, self.axis)
        across *= self.outer / np.linalg.norm(across)
        top, bottom = self.foot + high * self.axis, self.foot + low * self.axis
        return eye.project(np.stack([top - across, top + across, bottom + across, bottom - across]))
