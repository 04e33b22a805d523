"""Paths of light through glass, coloured liquids and flat plates, Mitsuba 3 finding the hits.

A path is geometry: it ends at the first plate, lamp or the room, and the spectra are put on its end.
See `traced_light.py` for what the paths are used for and why.
"""

from __future__ import annotations

import importlib
from dataclasses import dataclass
from typing import Any

import numpy as np
from traced_glass import AIR, GLASS, Mesh, Plate, Vessel

from hueph._types import FloatArray

__all__ = [
    "FIRST_REFLECTIONS",
    "NODES",
    "NODES_NM",
    "SCATTERED",
    "STEP_OFF",
    "Lamp",
    "Liquid",
    "Paths",
    "Room",
    "mitsuba",
]

NODES_NM: FloatArray = np.arange(395.0, 706.0, 10.0)
NODES = len(NODES_NM)
INDEX_GLASS, INDEX_LIQUID = 1.5, 1.33
MOST_TUBES = 6
STEP_OFF = 1e-3  # mm off a surface before the next ray starts
GLASSY, MATT, GLOWING = 0, 1, 2
FIRST_REFLECTIONS = 8
SCATTERED = 1 << 20  # interfaces counted on a path that a cloud has turned


@dataclass(frozen=True, slots=True)
class Lamp:
    """A glowing rectangle (lit side: `across` x `up`) of unit radiance times `radiance`."""

    corner: FloatArray
    across: FloatArray
    up: FloatArray
    radiance: float


@dataclass(frozen=True, slots=True)
class Room:
    """What lies beyond the plates: radiance `level` (1 + tilt . direction), painted and lit by each lamp."""

    level: float
    tilt: FloatArray
    paint: FloatArray  # reflectance at the nodes, mean 1
    shares: FloatArray  # of each lamp, sum 1


@dataclass(frozen=True, slots=True)
class Liquid:
    """Napierian absorption at the nodes and grey scattering (isotropic), both per millimetre."""

    absorption: FloatArray
    scattering: float = 0.0


def mitsuba() -> tuple[Any, Any]:
    """Return the modules mitsuba and drjit, the variant chosen."""
    mi = importlib.import_module("mitsuba")
    if mi.variant() != "llvm_ad_mono":
        mi.set_variant("llvm_ad_mono")
    return mi, importlib.import_module("drjit")


class Paths:
    """A scene ready for tracing, with light maps that are still dark."""

    def __init__(
        self,
        vessels: list[Vessel],
        liquids: list[Liquid],
        plates: list[Plate],
        lamps: list[Lamp],
        room: Room,
        seed: int,
    ) -> None:
        self.mi, self.dr = mitsuba()
        self.plates, self.lamps, self.room, self.seed = plates, lamps, room, seed
        self.cloudy = any(liquid.scattering > 0 for liquid in liquids)
        self._build(vessels)
        self._tables(vessels, liquids)
        self._maps()

    def _build(self, vessels: list[Vessel]) -> None:
        """Make one mesh of everything; surface numbers: plates, lamps, three of each vessel."""
        mi, mesh = self.mi, Mesh()
        flat = [(plate.corner, plate.across, plate.up) for plate in self.plates]
        flat += [(lamp.corner, lamp.across, lamp.up) for lamp in self.lamps]
        for number, rectangle in enumerate(flat):
            mesh.add_rectangle(*rectangle, number)
        for number, vessel in enumerate(vessels):
            vessel.add_to(mesh, len(flat) + 3 * number)
        points = np.concatenate(mesh.points).astype(np.float32)
        faces = np.concatenate(mesh.faces).astype(np.uint32)
        shape = mi.Mesh("scene", len(points), len(faces))
        parameters = mi.traverse(shape)
        parameters["vertex_positions"] = mi.Float(points.ravel())
        parameters["faces"] = mi.UInt32(faces.ravel())
        parameters.update()
        self.scene = mi.load_dict({"type": "scene", "mesh": shape})
        self.points, self.faces = mi.Float(points.ravel()), mi.UInt32(faces.ravel())
        self.normals = mi.Float(np.concatenate(mesh.normals).astype(np.float32).ravel())
        self.face_surface = mi.UInt32(np.concatenate(mesh.surfaces).astype(np.uint32))

    def _tables(self, vessels: list[Vessel], liquids: list[Liquid]) -> None:
        """Put what surfaces and media are into arrays."""
        mi, flat = self.mi, len(self.plates) + len(self.lamps)
        kind = [MATT] * len(self.plates) + [GLOWING] * len(self.lamps) + [GLASSY] * (3 * len(vessels))
        front, back = [AIR] * flat, [AIR] * flat
        for number in range(len(vessels)):
            front += [AIR, GLASS, AIR]
            back += [GLASS, 2 + number, 2 + number]
        self.kind, self.front, self.back = mi.UInt32(kind), mi.UInt32(front), mi.UInt32(back)
        self.index = mi.Float([1.0, INDEX_GLASS] + [INDEX_LIQUID] * MOST_TUBES)
        cloud = [0.0, 0.0] + [liquid.scattering for liquid in liquids]
        self.scattering = mi.Float(cloud + [0.0] * (2 + MOST_TUBES - len(cloud)))
        absorption = np.zeros((MOST_TUBES, NODES))
        for number, liquid in enumerate(liquids):
            absorption[number] = liquid.absorption
        self.absorption = mi.Float(absorption.astype(np.float32).ravel())
        self.lamp_radiance = mi.Float([lamp.radiance for lamp in self.lamps])
        self.paint = mi.Float(self.room.paint.astype(np.float32))
        self.sky = self._opaque(*self.room.tilt, self.room.level, *self.room.shares)

    def _maps(self) -> None:
        """Lay out the light maps and the rasters of materials."""
        mi = self.mi
        shapes = [
            [max(int(np.ceil(np.linalg.norm(edge) / plate.step)), 2) for edge in (plate.across, plate.up)]
            for plate in self.plates
        ]
        self.map_shapes = np.array(shapes)
        sizes = self.map_shapes.prod(axis=1)
        self.map_starts = np.concatenate([[0], np.cumsum(sizes)])
        spectra = np.cumsum([0] + [len(plate.reflectances) for plate in self.plates])
        rasters = [plate.raster + start for plate, start in zip(self.plates, spectra[:-1], strict=True)]
        starts = np.cumsum([0] + [raster.size for raster in rasters])
        rows = [
            [
                *self.map_shapes[k], self.map_starts[k],
                rasters[k].shape[1], rasters[k].shape[0], starts[k],
            ]
            for k in range(len(self.plates))
        ]  # fmt: skip
        self.map_table = mi.UInt32(np.array(rows, np.uint32).ravel())
        geometry = []
        for plate in self.plates:
            for edge in (plate.across, plate.up):
                geometry += [*(edge / (edge @ edge)), float(plate.corner @ edge / (edge @ edge))]
        self.plate_axes = mi.Float(np.array(geometry, np.float32))
        self.rasters = mi.UInt32(np.concatenate([raster.ravel() for raster in rasters]).astype(np.uint32))
        reflectances = np.concatenate([plate.reflectances for plate in self.plates])
        self.reflectances = mi.Float(reflectances.astype(np.float32).ravel())
        self.light = np.zeros((int(self.map_starts[-1]), len(self.lamps), NODES), np.float32)
        self.light_values = mi.Float(self.light.ravel())

    def _opaque(self, *values: float) -> list[Any]:
        """Return numbers the compiled kernels read at run time, so that all scenes share kernels."""
        return [self.dr.opaque(self.mi.Float, float(value)) for value in values]

    def _vector(self, table: Any, index: Any, active: Any) -> Any:
        gather = self.dr.gather
        return self.mi.Vector3f(*(gather(self.mi.Float, table, 3 * index + k, active) for k in range(3)))

    def trace(self, origin: Any, direction: Any, generator: Any, first: Any) -> dict[str, Any]:
        """Follow paths to the first plate, lamp or room.

        `first` (int32): at which interface the path reflects first; before it, it goes through with
        Fresnel's loss, after it chance decides. -1: chance decides from the start.
        """
        mi, dr = self.mi, self.dr
        lanes = dr.width(origin)
        state: dict[str, Any] = {
            "origin": mi.Point3f(origin),
            "direction": mi.Vector3f(direction),
            "weight": dr.full(mi.Float, 1.0, lanes),
            "count": dr.zeros(mi.Int32, lanes),
            "steps": dr.zeros(mi.UInt32, lanes),
            "active": dr.full(mi.Bool, True, lanes),
            "end": dr.full(mi.UInt32, 0xFFFFFFFF, lanes),
            "inward": dr.zeros(mi.Float, lanes),
            "rng": generator,
        }
        for number in range(MOST_TUBES):
            state[f"run{number}"] = dr.zeros(mi.Float, lanes)
        limit = 600 if self.cloudy else 40

        def body(s: dict[str, Any]) -> tuple[dict[str, Any]]:
            return (self._step(dict(s), first, limit),)

        (state,) = dr.while_loop((state,), lambda s: s["active"], body, labels=("s",))
        lost = (first >= 0) & (first < FIRST_REFLECTIONS) & (state["count"] <= first)
        state["weight"] = dr.select(lost | state["active"], 0.0, state["weight"])
        return state

    def _step(self, s: dict[str, Any], first: Any, limit: int) -> dict[str, Any]:
        """Move every path to its next hit and through it."""
        mi, dr = self.mi, self.dr
        hit = self.scene.ray_intersect_preliminary(
            mi.Ray3f(s["origin"], s["direction"]), coherent=False, active=s["active"]
        )
        valid = s["active"] & hit.is_valid()
        surface = dr.gather(mi.UInt32, self.face_surface, hit.prim_index, valid)
        corners = [dr.gather(mi.UInt32, self.faces, 3 * hit.prim_index + k, valid) for k in range(3)]
        shares = (1.0 - hit.prim_uv.x - hit.prim_uv.y, hit.prim_uv.x, hit.prim_uv.y)
        point, normal = mi.Vector3f(0.0), mi.Vector3f(0.0)
        for corner, share in zip(corners, shares, strict=True):
            point += share * self._vector(self.points, corner, valid)
            normal += share * self._vector(self.normals, corner, valid)
        normal = dr.normalize(normal)
        inward = dr.dot(s["direction"], normal)
        entering = inward < 0.0
        front = dr.gather(mi.UInt32, self.front, surface, valid)
        back = dr.gather(mi.UInt32, self.back, surface, valid)
        before, after = dr.select(entering, front, back), dr.select(entering, back, front)
        length, glassy = hit.t, valid & (dr.gather(mi.UInt32, self.kind, surface, valid) == GLASSY)
        scattered = mi.Bool(False)
        if self.cloudy:
            density = dr.gather(mi.Float, self.scattering, before, valid)
            free = -dr.log(1.0 - s["rng"].next_float32(valid)) / dr.maximum(density, 1e-9)
            scattered = glassy & (density > 0.0) & (free < length)
            length = dr.minimum(length, dr.select(scattered, free, length))
        for number in range(MOST_TUBES):
            s[f"run{number}"] += dr.select(glassy & (before == 2 + number), length, 0.0)
        self._cross(s, first, (point, normal, inward), (before, after), glassy & ~scattered)
        if self.cloudy:
            z = 1.0 - 2.0 * s["rng"].next_float32(scattered)
            angle = 2.0 * dr.pi * s["rng"].next_float32(scattered)
            flat = dr.sqrt(dr.maximum(1.0 - z * z, 0.0))
            turned = mi.Vector3f(flat * dr.cos(angle), flat * dr.sin(angle), z)
            there = s["origin"] + length * s["direction"]
            s["origin"] = dr.select(scattered, mi.Point3f(there), s["origin"])
            s["direction"] = dr.select(scattered, turned, s["direction"])
            # Past a scatterer there is no unreflected path to follow any more: all of it belongs to
            # the run without a forced reflection.
            s["count"] = dr.select(scattered & (first >= FIRST_REFLECTIONS), SCATTERED, s["count"])
            s["weight"] = dr.select(
                scattered & (first >= s["count"]) & (first < FIRST_REFLECTIONS), 0.0, s["weight"]
            )
        arrived = valid & ~glassy
        s["end"] = dr.select(arrived, surface, s["end"])
        s["inward"] = dr.select(arrived, inward, s["inward"])
        s["origin"] = dr.select(arrived, mi.Point3f(point), s["origin"])
        s["steps"] += 1
        s["active"] = glassy & (s["steps"] < limit) & (s["weight"] > 0.0)
        return s

    def _cross(self, s: dict[str, Any], first: Any, place: Any, media: Any, active: Any) -> None:
        """Reflect or refract at an interface (Fresnel, unpolarised)."""
        mi, dr = self.mi, self.dr
        point, normal, inward = place
        facing = dr.select(inward < 0.0, normal, -normal)
        cos = dr.minimum(dr.abs(inward), 1.0)
        outside = dr.gather(mi.Float, self.index, media[0], active)
        ratio = outside / dr.gather(mi.Float, self.index, media[1], active)
        left = 1.0 - ratio * ratio * (1.0 - cos * cos)
        total = left <= 0.0
        cos_after = dr.sqrt(dr.maximum(left, 0.0))
        crosswise = (ratio * cos - cos_after) / (ratio * cos + cos_after)
        along = (cos - ratio * cos_after) / (cos + ratio * cos_after)
        share = dr.select(total, 1.0, 0.5 * (crosswise * crosswise + along * along))
        chance = s["rng"].next_float32(active)
        free, turn = s["count"] > first, s["count"] == first
        reflects = total | dr.select(free, chance < share, turn)
        factor = dr.select(total | free, 1.0, dr.select(turn, share, 1.0 - share))
        mirrored = s["direction"] + 2.0 * cos * facing
        through = ratio * s["direction"] + (ratio * cos - cos_after) * facing
        direction = dr.normalize(dr.select(reflects, mirrored, through))
        side = dr.select(reflects, 1.0, -1.0)
        s["weight"] = dr.select(active, s["weight"] * factor, s["weight"])
        s["count"] = dr.select(active & ~total, s["count"] + 1, s["count"])
        s["origin"] = dr.select(active, mi.Point3f(point + side * STEP_OFF * facing), s["origin"])
        s["direction"] = dr.select(active, direction, s["direction"])

    def ends(self, s: dict[str, Any]) -> list[list[Any]]:
        """Return the radiance that each path brings, per lamp and node."""
        mi, dr, plates = self.mi, self.dr, len(self.plates)
        miss = s["end"] == 0xFFFFFFFF
        plate = s["end"] < plates
        lit = plate & (s["inward"] < 0.0)
        start = dr.select(plate, s["end"], 0)
        shares = []
        for edge in range(2):
            axis = self._vector_of_axes(start, edge, lit)
            shares.append(dr.clip(axis[0] @ s["origin"] - axis[1], 0.0, 0.999999))
        wide, high, base, raster_wide, raster_high, raster_base = (
            dr.gather(mi.UInt32, self.map_table, 6 * start + k, lit) for k in range(6)
        )
        place = []
        for share, count in zip(shares, (wide, high), strict=True):
            spot = dr.floor(share * mi.Float(count) - 0.5 + s["rng"].next_float32(lit))
            place.append(mi.UInt32(dr.clip(spot, 0.0, mi.Float(count) - 1.0)))
        texel = base + place[1] * wide + place[0]
        column = mi.UInt32(shares[0] * mi.Float(raster_wide))
        row = mi.UInt32(shares[1] * mi.Float(raster_high))
        material = dr.gather(mi.UInt32, self.rasters, raster_base + row * raster_wide + column, lit)
        sky = 1.0 + sum(self.sky[k] * s["direction"][k] for k in range(3))
        sky = dr.maximum(sky, 0.05) * self.sky[3]
        number, lamps = s["end"] - plates, len(self.lamps)
        glowing = ~miss & ~plate & (s["inward"] < 0.0)
        radiance = dr.gather(mi.Float, self.lamp_radiance, dr.select(glowing, number, 0), glowing)
        result: list[list[Any]] = [[] for _ in range(lamps)]
        for node in range(NODES):
            depth = sum(
                dr.gather(mi.Float, self.absorption, mi.UInt32(tube * NODES + node)) * s[f"run{tube}"]
                for tube in range(MOST_TUBES)
            )
            passed = s["weight"] * dr.exp(-depth)
            reflected = dr.gather(mi.Float, self.reflectances, material * NODES + node, lit) / dr.pi
            paint = dr.gather(mi.Float, self.paint, mi.UInt32(node))
            for lamp in range(lamps):
                light = dr.gather(mi.Float, self.light_values, (texel * lamps + lamp) * NODES + node, lit)
                own = dr.select(glowing & (number == lamp), radiance, 0.0)
                room = dr.select(miss, self.sky[4 + lamp] * paint * sky, 0.0)
                result[lamp].append(passed * (reflected * light + own + room))
        return result

    def _vector_of_axes(self, plate: Any, edge: int, active: Any) -> tuple[Any, Any]:
        base = 8 * plate + 4 * edge
        values = [self.dr.gather(self.mi.Float, self.plate_axes, base + k, active) for k in range(4)]
        return self.mi.Vector3f(*values[:3]), values[3]
