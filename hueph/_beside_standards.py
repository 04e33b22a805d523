"""What is left between a sample and what standards say its liquid would look like, at every candidate pH.

A card shows inks, not liquids. Each standard shows how a liquid of known pH differs from the card's curve; these
differences are taken to be Gaussian processes over pH and dye load (simple kriging, as in `hueph.calibration`),
over a near and a far reach in pH. The curve bent by them is what the sample is set beside, in three coordinate
systems: the direction of absorbance in the file's own channels, which is the same liquid through the same phone;
the direction after the picture's colour correction; and CAM16-UCS at the best dye load. A small network
(`hueph.estimating.refining`) weighs the outcome together with both posteriors, by the chart alone and by kriging.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from hueph._known_tubes import KnownTube, likeness
from hueph._types import Float32Array, FloatArray, IntArray
from hueph.estimating.features import (
    GRID_STEP_PH,
    MIXED_CURVE,
    PictureView,
    TubeEvidence,
    absorbance,
    candidate_grid,
    mixed,
    relative_to_chart,
    slope_along,
    surface_misfit,
    ucs_place,
    without_mirrored_light,
)
from hueph.estimating.posterior import Posterior

__all__ = ["LEAST_LOG", "LiquidCurves", "SeenTube", "log_on_grid"]

# What recurs wherever this card stands, what recurs in pictures that look alike, what one picture has for itself:
# shares of the variance of the differences; then reach in pH and own variance of a tube, near and far.
_CARD, _SETUP, _SAME = 0.30, 0.65, 0.05
_REACHES = ((0.45, 0.12), (1.3, 0.25))
# Reach in the logarithm of the dye load.
_REACH_LOAD = 1.0
# An uncertain label moves a tube along the curve: own variance per (pH unit / this) squared.
_LABEL_PH = 0.3
# Absorbance below which a colour has no direction.
_NO_DIRECTION = 0.06
# Standards in pictures less alike than this do not count as near in pH.
_ALIKE_ENOUGH = 0.3
_FAR_PH = 2.0
# Row of the surface's loads next to the card's own.
_OWN_LOAD = 12
# Lowest log density a network is shown.
LEAST_LOG = -25.0
# Soft floor of the backing's absorbance.
_BACKING_SOFT = 0.05


@dataclass(frozen=True, slots=True, eq=False)
class SeenTube:
    """A tube beside the card's curve of its own picture.

    Attributes
    ----------
    evidence : TubeEvidence
    view : PictureView
    strength : float
        Length of its absorbance in the file's channels.
    direction, corrected : array, shape (3,)
        Direction of its absorbance, in the file's channels and after colour correction.
    place : array, shape (m, 5)
        Distance, log dye load and difference in CAM16-UCS to the nearest point of the surface at each candidate.
    """

    evidence: TubeEvidence
    view: PictureView
    strength: float
    direction: FloatArray
    corrected: FloatArray
    place: FloatArray

    @classmethod
    def of(cls, evidence: TubeEvidence, view: PictureView | None = None) -> SeenTube:
        """Set a tube beside the curve; `view` is that of another tube in the same picture."""
        if view is None:
            view = PictureView.of(evidence, candidate_grid(evidence.ph))
        clear = without_mirrored_light(evidence)
        own = absorbance(mixed(clear))
        corrected = absorbance(mixed(np.maximum(evidence.correction.apply(clear), 0.0)))
        place = surface_misfit(view, ucs_place(evidence, clear))[:, :5]
        return cls(evidence, view, float(np.linalg.norm(own)), _direction(own), _direction(corrected), place)


class LiquidCurves:
    """The curve of the chart, bent to liquids of known pH.

    Parameters
    ----------
    tubes : sequence of KnownTube
    amplitude : float
        How far this workshop is off altogether (`hueph.calibration.IndicatorCalibration`).

    Attributes
    ----------
    tubes : tuple of KnownTube
    """

    def __init__(self, tubes: Sequence[KnownTube], amplitude: float) -> None:
        self.tubes = tuple(tubes)
        self._amplitude = amplitude
        self._ph = np.array([tube.ph for tube in self.tubes])
        self._ph_std = np.array([tube.ph_std for tube in self.tubes])
        self._photos = np.array([tube.photo for tube in self.tubes])
        self._first = {tube.photo: tube.evidence for tube in reversed(self.tubes)}
        views = {
            photo: PictureView.of(shown, candidate_grid(shown.ph)) for photo, shown in self._first.items()
        }
        seen = [SeenTube.of(tube.evidence, views[tube.photo]) for tube in self.tubes]
        # At the label: differences from the own picture's curve, and the dye load.
        known = [
            _at(one.view.grid, np.hstack([_beside_own(one), one.place[:, 1:2]]), tube.ph)
            for one, tube in zip(seen, self.tubes, strict=True)
        ]
        self._directions = np.array([one.direction for one in seen])
        self._differences, self._load = np.array(known)[:, :-1], np.array(known)[:, -1]
        names = list(self._first)
        alike = np.array([[likeness(self._first[a], self._first[b], a == b) for b in names] for a in names])
        of = np.array([names.index(tube.photo) for tube in self.tubes])
        self._strength = _CARD + _SETUP * alike[np.ix_(of, of)] + _SAME * (of[:, None] == of)

    def features(
        self,
        tube: SeenTube,
        photo: str,
        posteriors: tuple[FloatArray, FloatArray],
        misfit: float,
        others: IntArray | None = None,
    ) -> Float32Array:
        """Return what a network needs to know of every candidate pH of a sample.

        Parameters
        ----------
        tube : SeenTube
        photo : str
            Hash of its picture.
        posteriors : two arrays, shape (m,)
            Log density on the candidate grid, highest 0: refined by kriging, and by the chart alone.
        misfit : float
            CAM16-UCS distance from the surface.
        others : array of int, optional
            The standards that may be used. Default: all.

        Returns
        -------
        array, shape (m, FEATURES), float32
        """
        used = np.arange(len(self.tubes)) if others is None else others
        grid, load = tube.view.grid, tube.place[:, 1]
        alike_of = {
            name: likeness(tube.evidence, shown, name == photo) for name, shown in self._first.items()
        }
        photos = self._photos[used]
        alike, same = np.array([alike_of[name] for name in photos]), photos == photo
        strength = _CARD + _SETUP * alike + _SAME * same
        ph, ph_std, known_load = self._ph[used], self._ph_std[used], self._load[used]
        curve = _direction(tube.view.curves[:, MIXED_CURVE])
        own = self._directions[used] - np.array([_at(grid, curve, value) for value in ph])
        known = np.hstack([own, self._differences[used]])
        mine = np.hstack([tube.direction - curve, _beside_own(tube)])
        columns: list[FloatArray] = [mine, tube.place[:, :2]]
        left_out_errors = []
        for reach, noise in _REACHES:
            among = self._strength[np.ix_(used, used)] * _near(ph, known_load, ph, known_load, reach)
            inverse = np.linalg.inv(among + np.diag(noise + (ph_std / _LABEL_PH) ** 2))
            cross = strength * _near(grid, load, ph, known_load, reach)
            weights = cross @ inverse
            bend = weights @ known
            left = mine - bend
            columns += [
                left,
                (_CARD + _SETUP + _SAME - (weights * cross).sum(axis=1))[:, None],
                np.sqrt((left.reshape(-1, 3, 3) ** 2).sum(axis=2)),
            ]
            # What each standard is off when the others predict it; the sample's own curve plays no part.
            errors = (inverse @ self._differences[used]) / np.diag(inverse)[:, None]
            left_out_errors += [math.log(_rms(errors[:, part]) + 1e-3) for part in (slice(0, 3), slice(3, 6))]
        columns.append(slope_along(np.hstack([curve + bend[:, :3], tube.view.surface[:, _OWN_LOAD].T])))
        columns += [
            _nearest_labels(grid, ph[alike > _ALIKE_ENOUGH]),
            relative_to_chart(tube.evidence.ph, grid),
        ]
        columns.append(np.maximum(np.stack(posteriors, axis=1), LEAST_LOG))
        constants = [
            *left_out_errors,
            max(alike_of[name] for name in photos),
            math.log(len(used)),
            float(same.mean()),
            math.log(self._amplitude),
            float(ph_std.mean()),
            misfit,
            float(alike.sum()),
            *_of_the_tube(tube),
        ]
        columns.append(np.tile(constants, (len(grid), 1)))
        return np.concatenate(columns, axis=1).astype(np.float32)


def _of_the_tube(tube: SeenTube) -> FloatArray:
    """What is the same for every candidate and every standard, (18,)."""
    seen = tube.evidence
    return np.concatenate(
        [
            [math.log10(max(seen.noise, 1e-4)), seen.paper_level, tube.strength],
            np.clip(seen.low, 0.0, 1.0),
            np.clip(seen.high, 0.0, 1.0),
            absorbance(seen.backing, _BACKING_SOFT),
            seen.neighbours,
            tube.direction,
        ]
    )


def _direction(values: FloatArray) -> FloatArray:
    """Unit vectors of absorbances (..., 3), shorter where there is hardly any."""
    length = np.sqrt((values**2).sum(axis=-1, keepdims=True) + _NO_DIRECTION**2)
    return np.asarray(values / length)


def _beside_own(tube: SeenTube) -> FloatArray:
    """Differences from its own picture's curve, corrected directions and CAM16-UCS, (m, 6)."""
    return np.hstack([tube.corrected - _direction(tube.view.corrected), tube.place[:, 2:]])


def _at(grid: FloatArray, values: FloatArray, ph: float) -> FloatArray:
    """Values (m, k) on a candidate grid, interpolated at a pH."""
    place = (float(np.clip(ph, grid[0], grid[-1])) - grid[0]) / GRID_STEP_PH
    knot = min(int(place), len(grid) - 2)
    share = place - knot
    return np.asarray((1.0 - share) * values[knot] + share * values[knot + 1])


def _near(
    ph: FloatArray, load: FloatArray, to_ph: FloatArray, to_load: FloatArray, reach: float
) -> FloatArray:
    """Correlation of differences at a distance in pH and log dye load, shape (len(ph), len(to_ph))."""
    apart = ((ph[:, None] - to_ph) / reach) ** 2 + ((load[:, None] - to_load) / _REACH_LOAD) ** 2
    return np.asarray(np.exp(-0.5 * apart))


def _nearest_labels(grid: FloatArray, ph: FloatArray) -> FloatArray:
    """How far it is to the next label above and below each candidate, at most `_FAR_PH`, (m, 2)."""
    far = np.concatenate([ph, [-np.inf, np.inf]])[None] - grid[:, None]
    above = np.where(far >= 0.0, far, np.inf).min(axis=1)
    below = np.where(far <= 0.0, -far, np.inf).min(axis=1)
    return np.asarray(np.minimum(np.stack([above, below], axis=1), _FAR_PH))


def _rms(values: FloatArray) -> float:
    return float(np.sqrt((values**2).mean()))


def log_on_grid(posterior: Posterior, grid: FloatArray) -> FloatArray:
    """Log density of a posterior on a candidate grid, highest 0, at least `LEAST_LOG`."""
    values = np.log(np.interp(grid, posterior.grid, posterior.density) + 1e-12)
    return np.asarray(np.maximum(values - values.max(), LEAST_LOG))
