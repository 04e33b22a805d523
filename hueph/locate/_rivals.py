"""Other ways of laying the chart over the same patches: turned, mirrored, shifted, longer or shorter."""

from __future__ import annotations

import numpy as np

from hueph._types import AnyArray, FloatArray

__all__ = ["rival_placements", "stretched_placements"]

# A rival lays at least this share of the patches on other patches.
LEAST_SHARED = 0.45
# A line of at least this many patches may be read as a place or two longer or shorter.
LEAST_PLACES = 5


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


def stretched_placements(corners: FloatArray) -> tuple[FloatArray, AnyArray]:
    """Return card-to-card maps (k, 3, 3) that lay the chart over one or two places more or fewer.

    Also the axis (k,) along which each does.

    Where the patches touch and hardly differ, a pose too long or too short has its outer edges on
    edges too, and nothing inside to tell: its first or last patches go unexplained.
    """
    low, high = corners.min(axis=1), corners.max(axis=1)
    start, stop = low.min(axis=0), high.max(axis=0)
    size = np.median(high - low, axis=0)
    placements: list[FloatArray] = []
    axes: list[int] = []
    for axis in (0, 1):
        pitch = _pitch(corners.mean(axis=1), high - low, axis)
        if pitch is None or stop[axis] - start[axis] < (LEAST_PLACES - 1) * pitch + 0.5 * size[axis]:
            continue
        for more in (-2, -1, 1, 2):
            scale = 1.0 + more * pitch / (stop[axis] - start[axis])
            # How many of the places are added at the beginning of the line.
            for before in range(abs(more) + 1):
                placement = np.eye(3)
                placement[axis, axis] = scale
                placement[axis, 2] = start[axis] * (1.0 - scale) - np.sign(more) * before * pitch
                placements.append(placement)
                axes.append(axis)
    return np.array(placements).reshape(-1, 3, 3), np.array(axes, dtype=int)


def _pitch(centres: FloatArray, size: FloatArray, axis: int) -> float | None:
    """Return the usual step between neighbours along an axis, None where no patch has one."""
    other = 1 - axis
    step = centres[:, None] - centres[None]
    beside = (np.abs(step[..., other]) < 0.3 * size[:, None, other]) & (
        step[..., axis] > 0.3 * size[:, None, axis]
    )
    if not beside.any():
        return None
    return float(np.median(np.where(beside, step[..., axis], np.inf).min(axis=1)[beside.any(axis=1)]))


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
        pitch = _pitch(centres, size, axis)
        if pitch is None:
            continue
        for places in (-2, -1, 1, 2):
            shift = np.zeros(2)
            shift[axis] = places * pitch
            shifts.append(shift)
    return shifts
