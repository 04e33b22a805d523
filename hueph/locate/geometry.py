"""Plane geometry of locating: homographies, quadrilaterals, how a flat card lies in a picture."""

from __future__ import annotations

import numpy as np

from hueph._types import AnyArray, FloatArray

__all__ = [
    "affine_maps",
    "affine_solver",
    "apply_homography",
    "bounding_corners",
    "fit_affine",
    "fit_homographies",
    "fit_homography",
    "goes_clockwise",
    "lengths",
    "local_jacobian",
    "quad_area",
    "quad_overlap",
    "quad_sides",
    "resize_homography",
    "square_to_quads",
]


def apply_homography(homography: AnyArray, points: AnyArray) -> FloatArray:
    """Map points through one or many homographies.

    Parameters
    ----------
    homography : array, shape (..., 3, 3)
        Column-vector convention: (x', y', w') = H (x, y, 1).
    points : array, shape (k, 2) or (..., k, 2)
        (x, y).

    Returns
    -------
    array, shape (..., k, 2)
        Points behind the plane at infinity come out as not-a-number.
    """
    homography = np.asarray(homography, dtype=np.float64)
    points = np.asarray(points, dtype=np.float64)
    if points.ndim == 2:
        return _shared_points_mapped(homography, points)
    mapped = points @ np.swapaxes(homography[..., :, :2], -1, -2) + homography[..., None, :, 2]
    depth = mapped[..., 2:]
    return np.asarray(mapped[..., :2] / np.where(depth > 1e-9, depth, np.nan))


def _shared_points_mapped(homography: FloatArray, points: FloatArray) -> FloatArray:
    """Map the same points (k, 2) through homographies (..., 3, 3): one product of matrices for all.

    In memory all x come before all y.
    """
    flat = np.concatenate([points.T, np.ones((1, len(points)))])
    mapped = (homography.reshape(-1, 3) @ flat).reshape(*homography.shape[:-1], len(points))
    depth = mapped[..., 2, :]
    ahead = np.where(depth > 1e-9, depth, np.nan)
    planes = np.empty((2, *depth.shape))
    for axis, plane in enumerate(planes):
        np.divide(mapped[..., axis, :], ahead, out=plane)
    return planes.transpose(*range(1, planes.ndim), 0)


def _normaliser(points: FloatArray) -> FloatArray:
    """Return the similarity that moves points (k, 2) to mean 0 and mean distance sqrt(2)."""
    centre = points.mean(axis=0)
    spread = float(np.linalg.norm(points - centre, axis=1).mean())
    scale = np.sqrt(2.0) / max(spread, 1e-12)
    return np.array([[scale, 0, -scale * centre[0]], [0, scale, -scale * centre[1]], [0, 0, 1.0]])


def fit_homography(source: AnyArray, target: AnyArray) -> FloatArray:
    """Fit the homography source -> target by the normalised direct linear transform.

    Parameters
    ----------
    source, target : array, shape (k, 2)
        At least 4 corresponding points (x, y), no three of the four on one line.

    Returns
    -------
    array, shape (3, 3)
        Scaled so that the depth of the source's centre is 1.

    References
    ----------
    .. [1] Hartley, "In defense of the eight-point algorithm", IEEE TPAMI 19, 580-593, 1997
       (the normalisation; applied to homographies as in Hartley & Zisserman, algorithm 4.2).
    """
    source = np.asarray(source, dtype=np.float64)
    target = np.asarray(target, dtype=np.float64)
    to_source, to_target = _normaliser(source), _normaliser(target)
    a = apply_homography(to_source, source)
    b = apply_homography(to_target, target)
    rows = np.zeros((2 * len(a), 9))
    rows[0::2, 0:2], rows[0::2, 2] = a, 1.0
    rows[1::2, 3:5], rows[1::2, 5] = a, 1.0
    rows[0::2, 6:8], rows[0::2, 8] = -b[:, :1] * a, -b[:, 0]
    rows[1::2, 6:8], rows[1::2, 8] = -b[:, 1:] * a, -b[:, 1]
    solution = np.linalg.svd(rows, full_matrices=len(a) < 5)[2][-1].reshape(3, 3)
    homography = np.linalg.inv(to_target) @ solution @ to_source
    depth = float(homography[2] @ np.append(source.mean(axis=0), 1.0))
    return np.asarray(homography / (depth if abs(depth) > 1e-12 else 1.0))


def fit_homographies(source: AnyArray, targets: AnyArray, used: AnyArray) -> FloatArray:
    """Fit many homographies source -> target at once, each to some of the points.

    The same transform as in `fit_homography`, its null vector taken from the normal equations.

    Parameters
    ----------
    source : array, shape (k, 2)
        Points (x, y).
    targets : array, shape (m, k, 2)
        Corresponding points; those not used may be anything finite.
    used : array of bool, shape (m, k)
        At least 4 points each, no three of the four on one line.

    Returns
    -------
    array, shape (m, 3, 3)
        Scaled so that the depth of the centre of the source points used is 1.
    """
    weight = np.asarray(used, dtype=np.float64)[..., None]
    count = weight.sum(axis=1)
    maps = []
    normal = []
    for points in (np.broadcast_to(np.asarray(source, dtype=np.float64), targets.shape), targets):
        centre = (points * weight).sum(axis=1) / count
        offset = points - centre[:, None]
        spread = (np.linalg.norm(offset, axis=2, keepdims=True) * weight).sum(axis=1) / count
        scale = np.sqrt(2.0) / np.maximum(spread, 1e-12)
        to_normal = np.zeros((len(points), 3, 3))
        to_normal[:, 0, 0] = to_normal[:, 1, 1] = scale[:, 0]
        to_normal[:, :2, 2] = -scale * centre
        to_normal[:, 2, 2] = 1.0
        maps.append(to_normal)
        normal.append(offset * scale[:, None])
    a, b = normal
    rows = np.zeros((*a.shape[:2], 2, 9))
    for axis in (0, 1):
        rows[:, :, axis, 3 * axis : 3 * axis + 2], rows[:, :, axis, 3 * axis + 2] = a, 1.0
        rows[:, :, axis, 6:8], rows[:, :, axis, 8] = -b[..., axis, None] * a, -b[..., axis]
    rows = (rows * weight[..., None]).reshape(len(a), -1, 9)
    solution = np.linalg.eigh(rows.swapaxes(1, 2) @ rows)[1][:, :, 0].reshape(-1, 3, 3)
    homography = np.linalg.inv(maps[1]) @ solution @ maps[0]
    centre = (np.asarray(source) * weight).sum(axis=1) / count
    depth = (homography[:, 2, :2] * centre).sum(axis=1) + homography[:, 2, 2]
    return np.asarray(homography / np.where(np.abs(depth) > 1e-12, depth, 1.0)[:, None, None])


def square_to_quads(quads: AnyArray) -> FloatArray:
    """Return the homographies that take the unit square to quadrilaterals.

    Parameters
    ----------
    quads : array, shape (..., 4, 2)
        Images of (0, 0), (1, 0), (1, 1), (0, 1).

    Returns
    -------
    array, shape (..., 3, 3)

    References
    ----------
    .. [1] Heckbert, "Fundamentals of texture mapping and image warping", UCB/CSD 89/516, 1989,
       section 2.2.3: the closed form.
    """
    corners = np.asarray(quads, dtype=np.float64)
    a, b, c, d = (corners[..., k, :] for k in range(4))
    first, second, odd = b - c, d - c, a - b + c - d
    cross = first[..., 0] * second[..., 1] - first[..., 1] * second[..., 0]
    cross = np.where(np.abs(cross) > 1e-12, cross, 1e-12)
    g = (odd[..., 0] * second[..., 1] - odd[..., 1] * second[..., 0]) / cross
    h = (first[..., 0] * odd[..., 1] - first[..., 1] * odd[..., 0]) / cross
    homography = np.empty((*a.shape[:-1], 3, 3))
    homography[..., :2, 0] = b - a + g[..., None] * b
    homography[..., :2, 1] = d - a + h[..., None] * d
    homography[..., :2, 2] = a
    homography[..., 2, 0], homography[..., 2, 1], homography[..., 2, 2] = g, h, 1.0
    return homography


def fit_affine(source: AnyArray, target: AnyArray) -> FloatArray:
    """Fit affine maps source -> target by least squares, one source to many targets.

    Parameters
    ----------
    source : array, shape (k, 2)
        At least 3 points not on one line.
    target : array, shape (..., k, 2)
        Corresponding points.

    Returns
    -------
    array, shape (..., 3, 3)
        As homographies with last row (0, 0, 1).
    """
    source = np.asarray(source, dtype=np.float64)
    target = np.asarray(target, dtype=np.float64)
    return affine_maps(affine_solver(source) @ target)


def affine_solver(source: AnyArray) -> FloatArray:
    """Return what turns target points (..., k, 2) into affine coefficients (..., 3, 2) of least squares.

    For source points (..., k, 2) used again and again; `affine_maps` makes maps of the coefficients.
    """
    source = np.asarray(source, dtype=np.float64)
    return np.asarray(np.linalg.pinv(np.concatenate([source, np.ones((*source.shape[:-1], 1))], axis=-1)))


def affine_maps(coefficients: FloatArray) -> FloatArray:
    """Return affine maps (..., 3, 3) of coefficients (..., 3, 2), as homographies with last row (0, 0, 1)."""
    maps = np.zeros((*coefficients.shape[:-2], 3, 3))
    maps[..., :2, :] = np.swapaxes(coefficients, -1, -2)
    maps[..., 2, 2] = 1.0
    return maps


def local_jacobian(homography: AnyArray, point: AnyArray) -> FloatArray:
    """Return d(target)/d(source) of homographies (..., 3, 3) at one source point, (..., 2, 2)."""
    homography = np.asarray(homography, dtype=np.float64)
    x = np.append(np.asarray(point, dtype=np.float64), 1.0)
    u, v, w = (homography[..., i, :] @ x for i in range(3))
    w = np.where(np.abs(w) > 1e-12, w, np.nan)[..., None]
    top = (homography[..., 0, :2] - (u[..., None] / w) * homography[..., 2, :2]) / w
    bottom = (homography[..., 1, :2] - (v[..., None] / w) * homography[..., 2, :2]) / w
    return np.stack([top, bottom], axis=-2)


def quad_area(quads: AnyArray) -> FloatArray:
    """Return signed areas of polygons (..., k, 2): positive when clockwise on screen (y down)."""
    quads = np.asarray(quads, dtype=np.float64)
    after = np.roll(quads, -1, axis=-2)
    cross = quads[..., 0] * after[..., 1] - quads[..., 1] * after[..., 0]
    return np.asarray(cross.sum(axis=-1) / 2.0)


def goes_clockwise(points: FloatArray) -> bool:
    """Say whether four finite points (4, 2) go clockwise on screen round a convex quadrilateral."""
    turned = [float(quad_area(points[[k, (k + 1) % 4, (k + 2) % 4]])) for k in range(4)]
    return bool(np.isfinite(points).all()) and min(turned) > 0


def lengths(vectors: FloatArray) -> FloatArray:
    """Return the lengths of vectors (..., 2); much faster than a norm over so short an axis."""
    x, y = vectors[..., 0], vectors[..., 1]
    return np.asarray(np.sqrt(x * x + y * y))


def quad_sides(quads: AnyArray) -> FloatArray:
    """Return mean lengths (top/bottom, left/right) of quadrilaterals (..., 4, 2), shape (..., 2)."""
    quads = np.asarray(quads, dtype=np.float64)
    sides = lengths(quads[..., [1, 2, 3, 0], :] - quads)
    return np.stack([(sides[..., 0] + sides[..., 2]) / 2.0, (sides[..., 1] + sides[..., 3]) / 2.0], axis=-1)


def quad_overlap(first: AnyArray, second: AnyArray) -> float:
    """Return intersection over union of two convex quadrilaterals (4, 2)."""
    import cv2

    shared = float(
        cv2.intersectConvexConvex(np.asarray(first, dtype=np.float32), np.asarray(second, dtype=np.float32))[
            0
        ]
    )
    union = abs(float(quad_area(first))) + abs(float(quad_area(second))) - shared
    return shared / union if union > 0 else 0.0


def bounding_corners(corners: AnyArray) -> FloatArray:
    """Return the upright bounding rectangle of points (..., 2) as corners (4, 2), top-left first."""
    points = np.asarray(corners, dtype=np.float64).reshape(-1, 2)
    (left, top), (right, bottom) = points.min(axis=0), points.max(axis=0)
    return np.array([[left, top], [right, top], [right, bottom], [left, bottom]])


def resize_homography(reduction: float) -> FloatArray:
    """Return the map from pixels of a reduced picture to pixels of its source, centre to centre.

    Parameters
    ----------
    reduction : float
        Source pixels per reduced pixel; whole numbers denote pixel centres, so pixel edges, not
        centres, coincide at the border.
    """
    shift = (reduction - 1.0) / 2.0
    return np.array([[reduction, 0.0, shift], [0.0, reduction, shift], [0.0, 0.0, 1.0]])
