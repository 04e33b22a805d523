"""Check the geometry and the light of the path-traced photographs against formulas.

The light needs mitsuba and an LLVM it works with, named by DRJIT_LIBLLVM_PATH; without them those
checks are left out (the wrong LLVM ends the process, so it is not tried).
"""

from __future__ import annotations

import importlib.util
import os
from dataclasses import fields
from typing import Any

import cv2
import numpy as np
import pytest
import traced_workshop
import workshop
from traced_glass import Eye, Plate, Vessel
from traced_light import Tracer
from traced_paths import NODES, Lamp, Liquid, Room
from traced_workshop import ROLES, TUBES, draw_ph, draw_picture, draw_workshop
from traced_world import KINDS, Setting, draw_setting, kind_of

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


@pytest.fixture(scope="module", params=["four-dye from 3", "phenol red"])
def pictures(request: pytest.FixtureRequest) -> list[Setting]:
    rng = np.random.default_rng(7)
    place = draw_workshop(rng, request.param)
    return [draw_picture(rng, place, ph) for ph in draw_ph(rng, place.scene.card.ph)]


def test_phone_lamp_card_and_glass_stay_in_a_workshop(pictures: list[Setting]) -> None:
    first = pictures[0]
    for other in pictures[1:]:
        assert other.scene.card is first.scene.card
        assert other.scene.indicator is first.scene.indicator
        assert other.scene.illumination is first.scene.illumination
        assert other.lamps is first.lamps
        assert other.room is first.room
        assert other.scene.size == first.scene.size
        changed = {
            field.name
            for field in fields(first.scene.camera)
            if getattr(first.scene.camera, field.name) is not getattr(other.scene.camera, field.name)
        }
        assert changed <= {"level", "wb_error"}
        # What lies in sight is not the same, what it is made of is.
        for plate in ("card_plate", "wall_plate"):
            one, two = (picture.plates[getattr(picture, plate)] for picture in (first, other))
            np.testing.assert_array_equal(one.reflectances, two.reflectances)
        moved = other.plates[0].corner - first.plates[0].corner
        assert np.linalg.norm(moved) < 15.0
        edges = [np.linalg.norm(picture.plates[0].across) for picture in (first, other)]
        assert edges[0] == pytest.approx(edges[1])
    glass = [vessel for picture in pictures for vessel in picture.vessels]
    assert len({(vessel.outer, vessel.length, vessel.round_bottom) for vessel in glass}) == 1
    inner = np.log([vessel.inner for vessel in glass])
    # 20 tubes with a spread of 1 %: outside these limits less than once in ten thousand (chi-squared).
    assert 0.004 < inner.std(ddof=1) < 0.018


def test_filling_place_and_choices_of_the_phone_change_in_a_workshop(pictures: list[Setting]) -> None:
    cameras = [picture.scene.camera for picture in pictures]
    gains = np.log([camera.wb_error for camera in cameras])
    assert np.ptp(gains, axis=0).min() > 0.0
    assert np.ptp(gains, axis=0).max() < 6 * workshop._BALANCE_STD
    assert len({camera.level for camera in cameras}) > 1
    seen = [
        (
            tuple(picture.vessels[0].foot),
            picture.vessels[0].level,
            picture.scene.tubes[0].load,
            tuple(picture.eye.place),
        )
        for picture in pictures
    ]
    for values in zip(*seen, strict=True):
        assert len(set(values)) == len(pictures)


def test_standards_go_over_the_card_and_samples_lie_on_it(pictures: list[Setting]) -> None:
    card = pictures[0].scene.card.ph
    by_role: dict[str, list[float]] = {"standards": [], "samples": []}
    for role, picture in zip(ROLES, pictures, strict=True):
        assert all(tube.what == "sample" for tube in picture.scene.tubes)
        by_role[role] += [tube.ph for tube in picture.scene.tubes if tube.ph is not None]
    assert len(by_role["samples"]) == 3 * TUBES
    # Two decimals are kept.
    np.testing.assert_allclose(
        sorted(by_role["standards"]), np.linspace(card[0], card[-1], 2 * TUBES), atol=0.0051
    )
    assert card[0] <= min(by_role["samples"])
    assert max(by_role["samples"]) <= card[-1]


def test_pictures_of_a_workshop_show_all_of_it(pictures: list[Setting]) -> None:
    for setting in pictures:
        layout, placed = setting.scene.card.layout, setting.scene.card_to_picture
        card = project(placed, outline(layout))
        for corners in [card, *setting.liquid_corners]:
            assert (corners > 0).all()
            assert (corners < setting.scene.size).all()
        for vessel in setting.vessels:
            tube = vessel.outline(setting.eye, 0.0, vessel.length)
            assert cv2.intersectConvexConvex(card.astype(np.float32), tube.astype(np.float32))[0] == 0.0


def test_traced_and_drawn_workshops_agree_on_indicators_and_balance() -> None:
    assert traced_workshop.INDICATORS == workshop.INDICATORS
    assert traced_workshop.BALANCE_STD == workshop._BALANCE_STD


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
