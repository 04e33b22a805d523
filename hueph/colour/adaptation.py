"""Chromatic adaptation: the same surface seen under another white."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from hueph._checks import check_array
from hueph._types import AnyArray, FloatArray
from hueph.colour._arrays import apply_matrix, as_triplets
from hueph.errors import InputError

__all__ = ["BRADFORD", "adapt_xyz", "bradford_matrix"]

# Lam, K.M., "Metamerism and colour constancy", thesis, University of Bradford, 1985; ICC.1 annex E.
BRADFORD = np.array([[0.8951, 0.2664, -0.1614], [-0.7502, 1.7135, 0.0367], [0.0389, -0.0685, 1.0296]])


def bradford_matrix(source: npt.ArrayLike, target: npt.ArrayLike) -> FloatArray:
    """Return the linear Bradford matrix that takes XYZ under one white to XYZ under another.

    Parameters
    ----------
    source, target : array, shape (3,)
        XYZ of the two whites, on the same scale.

    Returns
    -------
    array, shape (3, 3)
        `source` is mapped exactly to `target`.

    Raises
    ------
    InputError
        Wrong shapes, or a white without response in one of the three cone bands.

    Examples
    --------
    >>> from hueph.colour.srgb import D50, D65
    >>> bradford_matrix(D65, D50).round(6)[0].tolist()
    [1.04793, 0.022947, -0.050192]
    """
    from_cones = BRADFORD @ check_array(source, "source", (3,))
    to_cones = BRADFORD @ check_array(target, "target", (3,))
    if not (from_cones > 0.0).all():
        found = np.asarray(source).tolist()
        raise InputError(f"the source white must excite all three cone bands, got {found}")
    matrix: FloatArray = np.linalg.inv(BRADFORD) @ np.diag(to_cones / from_cones) @ BRADFORD
    return matrix


def adapt_xyz(xyz: npt.ArrayLike, source: npt.ArrayLike, target: npt.ArrayLike) -> AnyArray:
    """Take XYZ under one white to XYZ under another (linear Bradford).

    Parameters
    ----------
    xyz : array, shape (..., 3)
        XYZ under `source`.
    source, target : array, shape (3,)
        XYZ of the two whites, on the same scale.

    Returns
    -------
    array, shape (..., 3)
        XYZ under `target`.

    Raises
    ------
    InputError
        As `bradford_matrix`, or `xyz` does not end in an axis of three.

    Examples
    --------
    >>> from hueph.colour.srgb import D50, D65
    >>> bool(abs(adapt_xyz(D65, D65, D50) - D50).max() < 1e-12)
    True
    """
    return apply_matrix(as_triplets(xyz, "xyz"), bradford_matrix(source, target))
