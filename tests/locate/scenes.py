"""Draw photographs of invented cards with known patch places: material for tests and measurements.

Geometry, colours, light and camera are random; nothing here comes from hueph but the shapes of a
chart and of a photograph.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import Any

import cv2
import numpy as np

from hueph.chart import Chart, Patch
from hueph.photo import Photo, photo_from_array
from hueph.synthetic import Scene as World
from hueph.synthetic import draw_world, render_photo

# Paths through CIELAB as indicators go, acid end to basic end; invented.
PATHS: dict[str, list[tuple[float, float, float]]] = {
    "universal": [(72, 35, 38), (83, 8, 52), (84, -12, 50), (74, -30, 22), (62, -25, -22), (40, 45, -65)],
    "red-yellow-blue": [(58, 50, 25), (76, 22, 52), (86, -6, 60), (68, -28, 12), (48, -4, -38)],
    "yellow-blue": [(88, -8, 58), (76, -28, 26), (60, -22, -18), (47, -2, -40)],
    "yellow-magenta": [(88, -6, 45), (80, 12, 22), (70, 35, 0), (60, 62, -35)],
    "red-yellow": [(55, 55, 35), (66, 42, 50), (78, 18, 62), (87, -2, 70)],
    "there and back": [(72, 35, 38), (74, -30, 22), (50, 10, -45), (74, -30, 22), (72, 35, 38)],
    "pale end": [(92.5, 0, 1.8), (88, 0, -4), (70, -6, -20), (52, -4, -40)],
    "narrow": [(80, 18, 24), (83, 10, 36)],
    "cabbage": [(52, 48, 2), (55, 28, -14), (50, 8, -28), (62, -24, -8), (72, -30, 28), (85, -8, 52)],
}  # fmt: skip
# Paths that need not be found: two ends alike, an end like paper, hardly a difference.
HARD_PATHS = ("there and back", "pale end", "narrow")
BACKINGS = {"white": (236, 234, 228), "wood": (170, 120, 75), "blue": (70, 100, 160), "grey": (120, 122, 124)}
PIXELS_PER_UNIT = 40.0


@dataclass(frozen=True)
class Layout:
    """Where patches are: columns of the rows, in patches; units are patch widths."""

    rows: tuple[int, ...]
    tall: float = 1.0
    gap_x: float = 0.15
    gap_y: float = 0.6
    margin: float = 0.6
    digits: str = "below"


@dataclass(frozen=True)
class Camera:
    """What light and camera do to the picture."""

    cast: tuple[float, float, float] = (1.0, 1.0, 1.0)
    level: float = 0.9
    gradient: float = 0.1
    saturation: float = 1.0
    contrast: float = 0.15
    blur: float = 0.6
    noise: float = 0.006
    quality: int = 88


@dataclass(frozen=True)
class Scene:
    """A drawn photograph and its truth."""

    photo: Photo
    chart: Chart
    patches: Any
    features: dict[str, Any] = field(default_factory=dict)


def srgb_table() -> Any:
    """Code value to linear light, IEC 61966-2-1."""
    code = np.arange(256) / 255.0
    return np.where(code <= 0.04045, code / 12.92, ((code + 0.055) / 1.055) ** 2.4)


def colours_on(path: str, count: int) -> Any:
    """Equal steps along a path through CIELAB, (count, 3)."""
    knots = np.array(PATHS[path], dtype=float)
    at = np.concatenate([[0], np.cumsum(np.linalg.norm(np.diff(knots, axis=0), axis=1))])
    want = np.linspace(0, at[-1], count)
    return np.stack([np.interp(want, at, knots[:, k]) for k in range(3)], axis=1)


def lab_to_srgb8(lab: Any) -> Any:
    """CIELAB D65 to 8-bit sRGB by OpenCV's float conversion."""
    values = np.asarray(lab, dtype=np.float32).reshape(1, -1, 3)
    return np.clip(np.rint(cv2.cvtColor(values, cv2.COLOR_Lab2RGB)[0] * 255), 0, 255).astype(np.uint8)


def make_chart(layout: Layout, path: str = "universal", name: str = "invented") -> Chart:
    """A chart of that layout, in reading order, card units = patch widths."""
    count = sum(layout.rows)
    labs = colours_on(path, count)
    below = 0.45 if layout.digits == "below" else 0.0
    patches: list[Patch] = []
    index = 0
    for row, length in enumerate(layout.rows):
        top = layout.margin + row * (layout.tall + layout.gap_y)
        for column in range(length):
            left = layout.margin + column * (1.0 + layout.gap_x)
            box = (
                (left, top),
                (left + 1.0, top),
                (left + 1.0, top + layout.tall),
                (left, top + layout.tall),
            )
            lab = tuple(float(v) for v in labs[index])
            patches.append(Patch(4.0 + 0.5 * index, (lab[0], lab[1], lab[2]), 1.0, box))
            index += 1
    corners = np.array([patch.corners for patch in patches])
    right = 0.7 if layout.digits == "right" else 0.0
    size = corners.reshape(-1, 2).max(axis=0) + np.array([layout.margin + right, layout.margin + below])
    return Chart(name, tuple(patches), (93.5, -0.2, 1.8), (float(size[0]), float(size[1])))


def draw_card(chart: Chart, layout: Layout, rng: np.random.Generator, print_error: float = 2.0) -> Any:
    """Flat artwork of the card, uint8 sRGB, `PIXELS_PER_UNIT` per card unit."""
    scale = PIXELS_PER_UNIT
    wide, high = (round(side * scale) for side in chart.card_size)
    card = np.empty((high, wide, 3), np.uint8)
    card[:] = lab_to_srgb8(chart.paper_lab)[0]
    printed = lab_to_srgb8(chart.lab + rng.normal(0, print_error, chart.lab.shape) * [0.5, 1, 1])
    for patch, colour in zip(chart.patches, printed, strict=True):
        (x0, y0), _, (x1, y1), _ = ((round(x * scale), round(y * scale)) for x, y in patch.corners)
        card[y0:y1, x0:x1] = colour
        where = (x0 + 2, y1 + 16) if layout.digits == "below" else (x1 + 3, (y0 + y1) // 2 + 5)
        if layout.digits != "none":
            font, ink = cv2.FONT_HERSHEY_SIMPLEX, (30, 30, 35)
            cv2.putText(card, f"{patch.ph:g}", where, font, 0.42, ink, 1, cv2.LINE_AA)
    return card


def pose_of(
    chart: Chart, centre: tuple[float, float], width: float, turn: float, tilt: float, about: float
) -> Any:
    """Card units to picture pixels: `width` pixels across the longer side, turns in degrees."""
    size = np.array(chart.card_size)
    scale = width / size.max()
    spin, lean, axis = np.radians([turn, tilt, about])
    c, s = np.cos(spin), np.sin(spin)
    rotate = np.array([[c, -s, 0], [s, c, 0], [0, 0, 1.0]])
    u = np.array([np.cos(axis), np.sin(axis), 0.0])
    cross = np.array([[0, -u[2], u[1]], [u[2], 0, -u[0]], [-u[1], u[0], 0]])
    swing = np.eye(3) + np.sin(lean) * cross + (1 - np.cos(lean)) * cross @ cross
    plane = (swing @ rotate)[:, :2] * scale
    distance = 3.0 * width
    to_plane = np.array([[1, 0, -size[0] / 2], [0, 1, -size[1] / 2], [0, 0, 1.0]])
    flat = np.column_stack([plane, [0.0, 0.0, distance]])
    project = np.array([[distance, 0, centre[0]], [0, distance, centre[1]], [0, 0, 1.0]])
    homography = project @ flat @ to_plane
    return homography / homography[2, 2]


def place(homography: Any, points: Any) -> Any:
    """Map points (..., 2) through a homography."""
    flat = np.asarray(points, dtype=float)
    mapped = flat @ homography[:, :2].T + homography[:, 2]
    return mapped[..., :2] / mapped[..., 2:]


def backing(size: tuple[int, int], kind: str, rng: np.random.Generator) -> Any:
    """A wall, with a shelf and tubes of liquid in front of it, uint8 sRGB (h, w, 3)."""
    wide, high = size
    ground = np.empty((high, wide, 3), np.float32)
    ground[:] = BACKINGS[kind]
    if kind == "wood":
        grain = cv2.GaussianBlur(rng.normal(0, 40, (high, wide)).astype(np.float32), (0, 0), 40, sigmaY=2)
        ground += grain[..., None]
    shelf = int(high * rng.uniform(0.85, 0.93))
    ground[shelf:] = rng.uniform(90, 200, 3)
    picture = np.clip(ground, 0, 255).astype(np.uint8)
    for k in range(int(rng.integers(1, 5))):
        x = int(wide * (0.15 + 0.2 * k + rng.uniform(0, 0.06)))
        w, top = int(wide * 0.07), int(high * rng.uniform(0.6, 0.75))
        colour = lab_to_srgb8([(rng.uniform(35, 85), rng.uniform(-40, 50), rng.uniform(-50, 60))])[0]
        box = [int(v) for v in colour]
        cv2.rectangle(picture, (x, top), (x + w, shelf - w // 2), box, -1)
        cv2.ellipse(picture, (x + w // 2, shelf - w // 2), (w // 2, w // 2), 0, 0, 180, box, -1)
        cv2.rectangle(picture, (x, int(high * 0.5)), (x + w, top), [int(v * 0.95) for v in picture[5, 5]], 1)
    return picture


def paste(picture: Any, card: Any, homography: Any) -> Any:
    """Lay a card (artwork at `PIXELS_PER_UNIT`) into a picture, with a soft shadow."""
    high, wide = picture.shape[:2]
    to_units = np.diag([1 / PIXELS_PER_UNIT, 1 / PIXELS_PER_UNIT, 1.0])
    half = np.array([[1, 0, 0.5], [0, 1, 0.5], [0, 0, 1.0]])
    back = np.array([[1, 0, -0.5], [0, 1, -0.5], [0, 0, 1.0]])
    big = 2.0
    grow = back @ np.diag([big, big, 1.0]) @ half
    full = grow @ back @ homography @ to_units @ half
    size = (int(wide * big), int(high * big))
    layer = cv2.warpPerspective(card, full, size, flags=cv2.INTER_AREA)
    mask = cv2.warpPerspective(np.full(card.shape[:2], 255, np.uint8), full, size)
    layer = cv2.resize(layer, (wide, high), interpolation=cv2.INTER_AREA).astype(np.float32)
    share = cv2.resize(mask, (wide, high), interpolation=cv2.INTER_AREA).astype(np.float32) / 255
    shadow = cv2.GaussianBlur(np.roll(share, (4, 3), (0, 1)), (0, 0), 4)[..., None]
    share = share[..., None]
    under = picture.astype(np.float32) * (1 - 0.25 * shadow * (1 - share))
    return np.clip(under * (1 - share) + layer, 0, 255).astype(np.uint8)


def expose(picture: Any, camera: Camera, rng: np.random.Generator) -> Any:
    """Light and camera: cast, uneven light, blur, noise, contrast, saturation, JPEG."""
    linear = srgb_table()[picture].astype(np.float32)
    high, wide = linear.shape[:2]
    across = np.linspace(-1, 1, wide)[None, :] * np.cos(camera.gradient * 40)
    down = np.linspace(-1, 1, high)[:, None] * np.sin(camera.gradient * 40)
    light = 1 + camera.gradient * (across + down)
    linear *= (camera.level * np.array(camera.cast)).astype(np.float32) * light[..., None].astype(np.float32)
    if camera.blur > 0:
        linear = cv2.GaussianBlur(linear, (0, 0), camera.blur)
    linear += rng.normal(0, 1, linear.shape) * camera.noise * np.sqrt(np.maximum(linear, 0.01))
    grey = linear.mean(axis=2, keepdims=True)
    linear = np.clip(grey + camera.saturation * (linear - grey), 0, 1)
    code = np.where(linear <= 0.0031308, 12.92 * linear, 1.055 * linear ** (1 / 2.4) - 0.055)
    code = code + camera.contrast * (code * code * (3 - 2 * code) - code)
    eight = np.rint(np.clip(code, 0, 1) * 255).astype(np.uint8)
    ok, data = cv2.imencode(".jpg", eight[:, :, ::-1], [cv2.IMWRITE_JPEG_QUALITY, camera.quality])
    assert ok
    return np.ascontiguousarray(cv2.imdecode(data, cv2.IMREAD_COLOR)[:, :, ::-1])


def random_layout(rng: np.random.Generator) -> Layout:
    """Rows, touching strips, columns, grids, ragged or not, 6 to 15 patches."""
    kind = rng.choice(["row", "touching", "column", "grid", "grid3"])
    count = int(rng.integers(6, 16))
    if kind == "row":
        return Layout((count,), rng.uniform(0.6, 2.0), rng.uniform(0.06, 0.5), margin=rng.uniform(0.3, 0.8))
    if kind == "touching":
        return Layout((count,), rng.uniform(0.8, 2.2), 0.0, margin=rng.uniform(0.3, 0.8))
    if kind == "column":
        gap = float(rng.choice([0.0, 0.05, 0.12, 0.5]))
        tall = rng.uniform(0.35, 0.9)
        return Layout((1,) * count, tall, 0.0, gap * tall, rng.uniform(0.3, 0.8), "right")
    rows = 2 if kind == "grid" else 3
    across = -(-count // rows)
    lengths = [across] * (rows - 1) + [count - across * (rows - 1)]
    while lengths[-1] <= 0:
        lengths = lengths[:-1]
    return Layout(tuple(lengths), rng.uniform(0.7, 1.3), rng.uniform(0.08, 0.5), rng.uniform(0.5, 0.9))


def random_camera(rng: np.random.Generator, hard: float = 1.0) -> Camera:
    """Casts up to 25 %, dark to bright, soft to sharp."""
    cast = np.exp(rng.normal(0, 0.13 * hard, 3))
    return Camera(
        cast=tuple(float(v) for v in cast / cast.max()),
        level=float(rng.uniform(0.45, 1.1)),
        gradient=float(rng.uniform(0, 0.2)),
        saturation=float(rng.uniform(0.85, 1.25)),
        contrast=float(rng.uniform(0, 0.3)),
        blur=float(rng.uniform(0.4, 1.5)),
        noise=float(rng.uniform(0.003, 0.02)),
        quality=int(rng.integers(60, 95)),
    )


def card_scene(
    layout: Layout, path: str = "universal", *, centre: tuple[float, float] = (400.0, 280.0),
    width: float = 420.0, turn: float = 0.0, tilt: float = 0.0, about: float = 30.0,
    size: tuple[int, int] = (800, 600), kind: str = "white", camera: Camera | None = None, seed: int = 1,
) -> Scene:  # fmt: skip
    """A given card at a given place in a random picture."""
    rng = np.random.default_rng(seed)
    chart = make_chart(layout, path)
    pose = pose_of(chart, centre, width, turn, tilt, about)
    picture = paste(backing(size, kind, rng), draw_card(chart, layout, rng), pose)
    photo = photo_from_array(expose(picture, camera or Camera(), rng), name="scene.jpg")
    return Scene(photo, chart, place(pose, chart.corners))


def random_scene(
    rng: np.random.Generator, *, size: tuple[int, int] = (1600, 1200), most_tilt: float = 40.0,
    most_turn: float = 180.0, ground: Any = None,
) -> Scene:  # fmt: skip
    """A random card somewhere in a random picture, wholly in view."""
    layout = random_layout(rng)
    path = str(rng.choice([name for name in PATHS if name not in HARD_PATHS]))
    chart = make_chart(layout, path)
    wide, high = size
    for _ in range(200):
        width = float(rng.uniform(0.25, 0.6) * wide)
        centre = (rng.uniform(0.2, 0.8) * wide, rng.uniform(0.2, 0.6) * high)
        turn, tilt = rng.uniform(-most_turn, most_turn), rng.uniform(0, most_tilt)
        about = rng.uniform(0, 360)
        pose = pose_of(chart, centre, width, turn, tilt, about)
        outline = place(pose, [(0, 0), (chart.card_size[0], 0), chart.card_size, (0, chart.card_size[1])])
        patches = place(pose, chart.corners)
        sides = np.linalg.norm(np.roll(patches, -1, axis=1) - patches, axis=2)
        if (outline > 4).all() and (outline < np.array(size) - 4).all() and sides.min() > 14:
            break
    kind = str(rng.choice(list(BACKINGS)))
    scene = backing(size, kind, rng) if ground is None else ground
    picture = paste(scene, draw_card(chart, layout, rng), pose)
    camera = random_camera(rng)
    features = {"layout": layout, "path": path, "turn": turn, "tilt": tilt, "kind": kind, "camera": camera,
                "width": width, "short": float(sides.min())}  # fmt: skip
    return Scene(photo_from_array(expose(picture, camera, rng)), chart, patches, features)


def rendered(seed: int, number: int) -> tuple[World, Photo, dict[str, Any]]:
    """One of the worlds of tests/accuracy/render_folder.py: its photograph, not yet compressed, and truth."""
    rng = np.random.default_rng((seed, number))
    world = draw_world(rng)
    picture, truth = render_photo(world, rng)
    return world, photo_from_array(picture, name="rendered.jpg"), truth


def rendered_small(
    number: int, size: tuple[int, int] = (800, 600), width: float | None = None
) -> tuple[Any, list[Any]]:
    """An easy rendered scene and the outlines of its three liquids, of a width in pixels if one is given."""
    rng = np.random.default_rng((77, number))
    world = draw_world(rng, kind="sheet", tube_count=3, size=size)
    if width is not None:
        world = replace(world, tubes=tuple(_narrowed(tube, width, size) for tube in world.tubes))
    picture, truth = render_photo(world, rng)
    return picture, [np.array(tube["liquid"]) for tube in truth["tubes"]]


def _narrowed(tube: Any, width: float, size: tuple[int, int]) -> Any:
    """A narrower tube that stands where the other stood."""
    y = (tube.bottom_px(size) - 0.5 * tube.fill * width) / size[1]
    return replace(tube, width_px=width, position=np.array([tube.position[0], y]))


def rolled(picture: Any, degrees: float) -> tuple[Any, Any]:
    """The view of a camera rolled by an angle, drawn back so that all stays in view, and its map (2, 3)."""
    height, width = picture.shape[:2]
    angle = np.radians(degrees)
    zoom = 1.0 / (np.cos(angle) + abs(np.sin(angle)) * max(width / height, height / width))
    turn = zoom * np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
    middle = np.array([width, height]) / 2
    view = np.column_stack([turn, middle - turn @ middle])
    return cv2.warpAffine(picture, view, (width, height), borderMode=cv2.BORDER_REPLICATE), view
