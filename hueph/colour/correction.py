"""Colour correction from patches whose colour is known: diagonal, linear, or root-polynomial.

All values are linear light. A correction fitted on a few patches describes those patches well and
others less well; `leave_one_out_delta_e` says how well it predicts a patch it has not seen.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal, TypeAlias

import numpy as np
import numpy.typing as npt

from hueph._checks import check_array
from hueph._types import AnyArray, FloatArray
from hueph.colour._arrays import apply_matrix, as_triplets
from hueph.colour.difference import delta_e_cie2000
from hueph.colour.lab import xyz_to_lab
from hueph.colour.srgb import linear_rgb_to_xyz
from hueph.errors import InputError

__all__ = [
    "ColourCorrection",
    "CorrectionKind",
    "fit_correction",
    "leave_one_out_delta_e",
    "root_polynomial_terms",
]

CorrectionKind: TypeAlias = Literal["diagonal", "linear", "root-polynomial"]

# Unknowns per output channel: fewer patches than this cannot determine the correction.
_UNKNOWNS: dict[str, int] = {"diagonal": 1, "linear": 3, "root-polynomial": 6}

# Patches whose terms are this nearly dependent (smallest over largest singular value) determine nothing.
_MIN_CONDITION = 1e-6


@dataclass(frozen=True, slots=True, eq=False)
class ColourCorrection:
    """A fitted correction.

    Attributes
    ----------
    kind : str
        "diagonal" (a gain per channel), "linear" (3 x 3, root-polynomial of degree 1) or
        "root-polynomial" (degree 2).
    matrix : array, shape (3, 3) or (3, 6)
        Multiplies the terms of a colour.
    """

    kind: CorrectionKind
    matrix: FloatArray

    def apply(self, linear: npt.ArrayLike) -> AnyArray:
        """Return corrected colours.

        Parameters
        ----------
        linear : array, shape (..., 3)
            Linear light as measured; negative values count as zero under the roots.

        Returns
        -------
        array, shape (..., 3)
            Linear light in the space of the reference the correction was fitted to; not clipped.

        Raises
        ------
        InputError
            `linear` does not end in an axis of three.

        Examples
        --------
        >>> ColourCorrection("diagonal", np.diag([2.0, 1.0, 0.5])).apply([0.1, 0.2, 0.4]).tolist()
        [0.2, 0.2, 0.2]
        """
        return apply_matrix(_terms(as_triplets(linear, "linear"), self.kind), self.matrix)


def root_polynomial_terms(linear: npt.ArrayLike, degree: int = 2) -> AnyArray:
    """Return the terms of a root-polynomial: all scale with exposure as the colour itself does.

    Parameters
    ----------
    linear : array, shape (..., 3)
        Linear R, G, B; negative values count as zero under the roots.
    degree : int
        1 or 2.

    Returns
    -------
    array, shape (..., 3) or (..., 6)
        R, G, B and, for degree 2, sqrt(RG), sqrt(GB), sqrt(RB).

    Raises
    ------
    InputError
        Another degree, or `linear` does not end in an axis of three.

    References
    ----------
    .. [1] G.D. Finlayson, M. Mackiewicz, A. Hurlbert, "Color correction using root-polynomial
       regression", IEEE Trans. Image Process. 24(5), 1460-1470, 2015, doi:10.1109/TIP.2015.2405336.

    Examples
    --------
    >>> root_polynomial_terms([0.25, 0.04, 0.09]).round(6).tolist()
    [0.25, 0.04, 0.09, 0.1, 0.06, 0.15]
    """
    if degree not in (1, 2):
        raise InputError(f"degree must be 1 or 2, got {degree!r}")
    values = as_triplets(linear, "linear")
    if degree == 1:
        return values
    roots = np.sqrt(np.maximum(values, 0.0))
    # R with G, G with B, B with R.
    result: AnyArray = np.concatenate([values, roots * roots[..., [1, 2, 0]]], axis=-1)
    return result


def fit_correction(
    measured: npt.ArrayLike,
    reference: npt.ArrayLike,
    *,
    kind: CorrectionKind = "diagonal",
    weights: npt.ArrayLike | None = None,
) -> ColourCorrection:
    """Fit the correction that takes measured patch colours nearest to their known ones.

    Parameters
    ----------
    measured, reference : array, shape (n, 3)
        Linear light of the patches as measured, and as they should be.
    kind : str
        "diagonal", "linear" or "root-polynomial". The last needs many different patches.
    weights : array, shape (n,), optional
        How much each patch counts, 0 or more. Default: all the same.

    Returns
    -------
    ColourCorrection
        Least squares in linear light.

    Raises
    ------
    InputError
        Wrong shapes or values, an unknown kind, or too few different patches for the kind.

    Examples
    --------
    >>> fit_correction([[0.2, 0.4, 0.1]], [[0.4, 0.4, 0.4]]).matrix.diagonal().round(6).tolist()
    [2.0, 1.0, 4.0]
    """
    _check_kind(kind)
    seen = check_array(measured, "measured", (None, 3))
    known = check_array(reference, "reference", (None, 3))
    share = _checked_weights(weights, len(seen))
    if len(known) != len(seen):
        found = f"{len(seen)} and {len(known)}"
        raise InputError(f"measured and reference must have as many patches, got {found}")
    if not (np.isfinite(seen).all() and np.isfinite(known).all()):
        raise InputError("measured and reference must be finite, got NaN or infinity")
    used = int((share > 0.0).sum())
    if used < _UNKNOWNS[kind]:
        raise InputError(f"a {kind} correction needs at least {_UNKNOWNS[kind]} patches, got {used}")
    if kind == "diagonal":
        power = share @ seen**2
        if not (power > 0.0).all():
            raise InputError("a diagonal correction needs light in every channel, found one without")
        return ColourCorrection(kind, np.diag(share @ (seen * known) / power))
    root = np.sqrt(share)[:, np.newaxis]
    terms = _terms(seen, kind) * root
    strengths = np.linalg.svd(terms, compute_uv=False)
    if strengths[-1] <= _MIN_CONDITION * strengths[0]:
        raise InputError(f"a {kind} correction needs different colours, found patches too much alike")
    solution = np.linalg.lstsq(terms, known * root, rcond=None)[0]
    return ColourCorrection(kind, np.asarray(solution.T, dtype=np.float64))


def leave_one_out_delta_e(
    measured: npt.ArrayLike,
    reference: npt.ArrayLike,
    *,
    kind: CorrectionKind = "diagonal",
    weights: npt.ArrayLike | None = None,
) -> FloatArray:
    """Return how far off each patch is when the correction is fitted on all the others.

    Parameters
    ----------
    measured, reference : array, shape (n, 3)
        Linear light of the patches as measured, and as they should be in linear sRGB (D65).
    kind : str
        As `fit_correction`.
    weights : array, shape (n,), optional
        As `fit_correction`.

    Returns
    -------
    array, shape (n,)
        CIEDE2000 between each patch's known colour and its prediction by the others.

    Raises
    ------
    InputError
        As `fit_correction`; one patch more is needed.

    Examples
    --------
    >>> patches = [[0.2, 0.4, 0.1], [0.5, 0.5, 0.5]]
    >>> leave_one_out_delta_e(patches, patches).round(6).tolist()
    [0.0, 0.0]
    """
    _check_kind(kind)
    seen = check_array(measured, "measured", (None, 3))
    known = check_array(reference, "reference", (None, 3))
    share = _checked_weights(weights, len(seen))
    if len(seen) <= _UNKNOWNS[kind]:
        rule = f"leaving a patch out of a {kind} correction needs at least {_UNKNOWNS[kind] + 1} patches"
        raise InputError(f"{rule}, got {len(seen)}")
    predicted = _predicted_by_others(seen, known, kind, share)
    if predicted is None:
        predicted = np.empty_like(seen)
        for index in range(len(seen)):
            others = np.arange(len(seen)) != index
            correction = fit_correction(seen[others], known[others], kind=kind, weights=share[others])
            predicted[index] = correction.apply(seen[index])
    lab = [xyz_to_lab(linear_rgb_to_xyz(np.maximum(values, 0.0))) for values in (predicted, known)]
    return np.asarray(delta_e_cie2000(lab[0], lab[1]), dtype=np.float64)


def _predicted_by_others(
    seen: FloatArray, known: FloatArray, kind: CorrectionKind, share: FloatArray
) -> FloatArray | None:
    """Predict each patch from a fit on all others, all fits at once; None where one of them is not plain.

    Fits that are refused, or have just as many patches as unknowns, are left to `fit_correction`.
    """
    plain = len(known) == len(seen) and bool(np.isfinite(seen).all() and np.isfinite(known).all())
    if kind not in ("linear", "root-polynomial") or not plain or (share > 0.0).sum() <= _UNKNOWNS[kind] + 1:
        return None
    count = len(seen)
    others = np.nonzero(~np.eye(count, dtype=bool))[1].reshape(count, -1)
    root, terms = np.sqrt(share)[others][..., np.newaxis], _terms(seen, kind)
    left, strengths, right = np.linalg.svd(terms[others] * root, full_matrices=False)
    if (strengths[:, -1] <= _MIN_CONDITION * strengths[:, 0]).any():
        return None
    along = left.swapaxes(1, 2) @ (known[others] * root)
    fitted = right.swapaxes(1, 2) @ (along / strengths[..., np.newaxis])
    return np.asarray((terms[:, np.newaxis] @ fitted)[:, 0])


def _check_kind(kind: str) -> None:
    """Refuse a kind that is none."""
    if kind not in _UNKNOWNS:
        raise InputError(f"kind must be one of {', '.join(_UNKNOWNS)}, got {kind!r}")


def _terms(values: AnyArray, kind: CorrectionKind) -> AnyArray:
    """Return the terms that a kind's matrix multiplies."""
    return root_polynomial_terms(values, 2 if kind == "root-polynomial" else 1)


def _checked_weights(weights: npt.ArrayLike | None, count: int) -> FloatArray:
    """Return one weight a patch, finite and not negative."""
    if weights is None:
        return np.ones(count)
    share = check_array(weights, "weights", (None,))
    if share.shape != (count,):
        raise InputError(f"weights must have shape ({count},), got {share.shape}")
    if not (np.isfinite(share).all() and (share >= 0.0).all()):
        raise InputError("weights must be finite and not negative")
    return share
