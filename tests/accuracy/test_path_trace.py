"""Check the geometry and the light of the path-traced photographs against formulas.

The light needs mitsuba and an LLVM it works with, named by DRJIT_LIBLLVM_PATH; without them those
checks are left out (the wrong LLVM ends the process, so it is not tried).
"""

from __future__ import annotations

import importlib.util
import os
from typing import Any

import cv2
import numpy as np
import pytest
from traced_glass import Eye, Plate, Vessel
from traced_light import Tracer
from traced_paths import NODES, Lamp, Liquid, Room
from traced_world import KINDS, draw_setting, kind_of

from hueph.synthetic.layout import outline, patch_corners, project

traced = pytest.mark.skipif(
    importlib.util.find_spec("mitsuba") is None or "DRJIT_LIBLLVM_PATH" not in os.environ,
    reason="needs mitsuba and DRJIT_LIBLLVM_PATH",
)
UPRIGHT = Vessel(np.zeros(3), np.array([0.0, 0.0, 1.0]), 8.0, 7.0, 100.0, 50.0, 1.0)


def test_eye_is_a_pinhole() -> None:
    eye = Eye.looking(np.array([10.0, -300.0, 40.0]), np.array([10.0, 0.0, 40.0]), 0.0, 900.0, (800, 600))
    seen = eye.project(np.array([[10.0, 0.0, 40.0], [40.0, 0.0, 40.0], [10.0, 100.0, 80.0]]))
    wanted = np.array(
        [[400.0, 300.0], [400.0 + 900.0 * 30.0 / 300.0, 300.0], [400.0, 300.0 - 900.0 * 40.0 / 400.0]]
    )
    np.testing.assert_allclose(seen, wanted)


def test_turned_eye_turns_the_picture() -> None:
    straight = Eye.looking(np.array([0.0, -300.0, 0.0]), np.zeros(3), 0.0, 900.0, (800, 600))
    turned = Eye.looking(np.array([0.0, -300.0, 0.0]), np.zeros(3), 0.1, 900.0, (800, 600))
    point, middle = np.array([30.0, 0.0, 20.0]), np.array([400.0, 300.0])
    before, after = (eye.project(point) - middle for eye in (straight, turned))
    assert np.linalg.norm(after) == pytest.approx(np.linalg.norm(before))
    cos = before @ after / (before @ before)
    assert cos == pytest.approx(np.cos(0.1))


@pytest.mark.parametrize("round_bottom", [True, False])
def test_vessel_holds_the_stated_volume(round_bottom: bool) -> None:
    level = Vessel.level_of(4.0, 8.0, 7.0, round_bottom)
    vessel = Vessel(np.zeros(3), np.array([0.0, 0.0, 1.0]), 8.0, 7.0, 100.0, level, 1e-9, round_bottom)
    radius, height = vessel.profiles()[1][0].T
    # Volume of a turned body: pi times the integral of the radius squared over its height.
    volume = np.pi * np.trapezoid(radius**2, height) / 1000.0
    # The fillet of a flat bottom takes a few hundredths of a millilitre.
    assert volume == pytest.approx(4.0, abs=0.004 if round_bottom else 0.05)


def test_normals_stand_on_the_surface() -> None:
    for points, normals in UPRIGHT.profiles():
        np.testing.assert_allclose(np.linalg.norm(normals, axis=1), 1.0)
        step = np.diff(points, axis=0)
        long = np.linalg.norm(step, axis=1) > 1e-9
        slant = np.abs((step * (normals[1:] + normals[:-1])).sum(axis=1)[long])
        assert (slant / np.linalg.norm(step, axis=1)[long]).max() < 0.06


def test_truth_of_a_setting_lies_in_the_picture() -> None:
    setting = draw_setting(np.random.default_rng(3), "sheet")
    width, height = setting.scene.size
    patches = project(setting.scene.card_to_picture, patch_corners(setting.scene.card.layout))
    for corners in [*patches, *setting.liquid_corners]:
        assert (corners > 0).all()
        assert (corners < [width, height]).all()
    card = project(setting.scene.card_to_picture, outline(setting.scene.card.layout))
    for vessel in setting.vessels:
        tube = vessel.outline(setting.eye, 0.0, vessel.length)
        assert cv2.intersectConvexConvex(card.astype(np.float32), tube.astype(np.float32))[0] == 0.0
    assert KINDS.count("sheet") == 13
    assert len(KINDS) == 30
    assert [kind_of(number)[1] for number in range(40) if kind_of(number)[0] == "odd"] == [
        "food dye", "milky", "water", "food dye", "milky",
    ]  # fmt: skip


def one_tube(absorption: float) -> Tracer:
    """Return a scene of one tube on a plate under an even room and a dark lamp."""
    plate = Plate(
        np.array([-100.0, -100.0, -5.0]), np.array([200.0, 0.0, 0.0]), np.array([0.0, 200.0, 0.0]),
        np.zeros((1, NODES)), np.zeros((1, 1), np.intp), 25.0,
    )  # fmt: skip
    dark = Lamp(np.array([0.0, 0.0, 900.0]), np.array([0.0, 100.0, 0.0]), np.array([100.0, 0.0, 0.0]), 0.0)
    room = Room(0.5, np.zeros(3), np.ones(NODES), np.ones(1))
    return Tracer([UPRIGHT], [Liquid(np.full(NODES, absorption))], [plate], [dark], room, 1)


def send(tracer: Tracer, x: float, first: int) -> dict[str, Any]:
    """Send one ray along y through the liquid, `x` beside the axis; `first` as in `Paths.trace`."""
    mi = tracer.mi
    origin, direction = mi.Point3f([x], [-50.0], [30.0]), mi.Vector3f([0.0], [1.0], [0.0])
    return tracer.trace(origin, direction, mi.PCG32(size=1), mi.Int32(first))


@traced
def test_ray_through_the_axis_goes_straight_with_fresnels_loss() -> None:
    state = send(one_tube(0.0), 0.0, 1 << 16)
    direction = np.array(state["direction"]).ravel()
    np.testing.assert_allclose(direction, [0.0, 1.0, 0.0], atol=1e-4)
    air, wet = ((1.5 - 1.0) / 2.5) ** 2, ((1.5 - 1.33) / 2.83) ** 2
    assert state["weight"].numpy()[0] == pytest.approx((1 - air) ** 2 * (1 - wet) ** 2, rel=1e-3)
    assert state["run0"].numpy()[0] == pytest.approx(14.0, abs=0.01)


@traced
def test_ray_beside_the_axis_turns_as_snell_says() -> None:
    state = send(one_tube(0.0), 4.0, 1 << 16)
    outer, inner = np.arcsin(4.0 / 8.0), np.arcsin(4.0 / 7.0 / 1.5)
    glass, wet = np.arcsin(4.0 / 8.0 / 1.5), np.arcsin(4.0 / 7.0 / 1.33)
    turn = 2.0 * ((outer - glass) + (inner - wet))
    direction = np.array(state["direction"]).ravel()
    np.testing.assert_allclose(direction, [-np.sin(turn), np.cos(turn), 0.0], atol=2e-3)


@traced
def test_liquid_passes_ten_to_the_minus_absorbance() -> None:
    clear, dyed = (
        np.array([value.numpy()[0] for value in tracer.ends(send(tracer, 0.0, 1 << 16))[0]])
        for tracer in (one_tube(0.0), one_tube(np.log(10.0) * 0.8 / 14.0))
    )
    np.testing.assert_allclose(dyed / clear, 10.0**-0.8, rtol=2e-3)


@traced
def test_clear_tube_in_an_even_room_changes_nothing() -> None:
    # Light that only bends is neither made nor lost: irradiance pi times radiance everywhere.
    tracer = one_tube(0.0)
    tracer.gather((), 4096)
    np.testing.assert_allclose(tracer.light, np.pi * 0.5, rtol=0.04)


@traced
def test_lamp_lights_by_its_solid_angle() -> None:
    tracer = one_tube(0.0)
    size = 100.0
    lamp = Lamp(np.array([-50.0, -50.0, 900.0]), np.array([0.0, size, 0.0]), np.array([size, 0.0, 0.0]), 3.0)
    room = Room(0.0, np.zeros(3), np.ones(NODES), np.ones(1))
    bare = Tracer([], [], tracer.plates, [lamp], room, 1)
    bare.gather((), 1024)
    wide, high = bare.map_shapes[0]
    seen = bare.light.reshape(high, wide, -1)[high // 2, wide // 2, 0]
    assert seen == pytest.approx(3.0 * size**2 / 905.0**2, rel=0.02)
