"""Other ways of laying the chart over the same patches: turned, mirrored, shifted by a place or two."""

from __future__ import annotations

import numpy as np

from hueph._types import AnyArray, FloatArray

__all__ = ["rival_placements"]

# A rival lays at least this share of the patches on other patches.
LEAST_SHARED = 0.45


def rival_placements(corners: FloatArray) -> tuple[FloatArray, AnyArray]:
    """Return card-to-card maps that lay patches on patches, but in another order.

    Parameters
    ----------
    corners : array, shape (n, 4, 2)
        Patches, card units.

    Returns
    -------
    placements : array, shape (k, 3, 3)
        Compose with a pose: `pose @ placement` puts each patch where the rival says it is.
    mirrored : array of bool, shape (k,)
        True where the rival is a reflection.

    Notes
    -----
    Turns and reflections of the square about the centre of the patches, each with shifts of up to
    two places along rows and columns. Those that leave the order as it is are not rivals.
    """
    centres = corners.mean(axis=1)
    middle = (centres.min(axis=0) + centres.max(axis=0)) / 2.0
    size = corners.max(axis=1) - corners.min(axis=1)
    reach = 0.25 * size.min(axis=1)
    shifts = _shifts(centres, size)
    placements: list[FloatArray] = []
    mirrored: list[bool] = []
    for turn in _square_symmetries():
        for shift in shifts:
            placement = np.eye(3)
            placement[:2, :2] = turn
            placement[:2, 2] = middle - turn @ middle + shift
            moved = centres @ turn.T + placement[:2, 2]
            distance = np.linalg.norm(moved[:, None] - centres[None], axis=2)
            on = distance < reach[None]
            shared = on.any(axis=1)
            keeps_order = bool((np.argmin(distance, axis=1) == np.arange(len(centres)))[shared].all())
            if shared.mean() >= LEAST_SHARED and not keeps_order:
                placements.append(placement)
                mirrored.append(bool(np.linalg.det(turn) < 0))
    return np.array(placements).reshape(-1, 3, 3), np.array(mirrored, dtype=bool)


def _square_symmetries() -> list[FloatArray]:
    """Return the four quarter turns and four reflections."""
    quarter = np.array([[0.0, -1.0], [1.0, 0.0]])
    flip = np.diag([-1.0, 1.0])
    turns = [np.linalg.matrix_power(quarter, k) for k in range(4)]
    return [*turns, *(turn @ flip for turn in turns)]


def _shifts(centres: FloatArray, size: FloatArray) -> list[FloatArray]:
    """Return no shift and up to two places each way along both axes, card units."""
    shifts = [np.zeros(2)]
    for axis in (0, 1):
        other = 1 - axis
        step = centres[:, None] - centres[None]
        beside = (np.abs(step[..., other]) < 0.3 * size[:, None, other]) & (
            step[..., axis] > 0.3 * size[:, None, axis]
        )
        if not beside.any():
            continue
        pitch = float(np.median(np.where(beside, step[..., axis], np.inf).min(axis=1)[beside.any(axis=1)]))
        for places in (-2, -1, 1, 2):
            shift = np.zeros(2)
            shift[axis] = places * pitch
            shifts.append(shift)
    return shifts
