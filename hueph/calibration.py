"""Lean a reading on standards: tubes of known pH photographed beside the same chart.

A printed chart is read with errors that are no noise: the inks are not the liquid, the phone sees
both differently, the patches of this copy are off by a little. They recur from picture to picture, and
the more alike two pictures are, the more so. A standard shows the error outright. Each posterior is
looked at through its normal scores, in which the truth is spread evenly whatever the indicator (0 at
the median, 1 at the 84 % quantile); the score of a standard's label is the error made there, and the
errors of all standards together predict that of a sample by simple kriging (`hueph._kriging`): over the pH
read and the dye load, the less the more the chart looks different in the two pictures (another phone, another
lamp).

Kriging sees one number of each tube. Where pictures look alike, a small network then sets the sample's colour
beside the standards' colours (`hueph._beside_standards`) and corrects what kriging gave; the less a picture
looks like those of the standards, the less they count.
"""

from __future__ import annotations

import functools
import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from hueph._beside_standards import LiquidCurves, SeenTube, log_on_grid
from hueph._known_tubes import KnownTube, dye_load, known_tubes, likeness, picture_distance
from hueph._kriging import Kernel, Kriging, Place
from hueph._types import Float32Array, FloatArray, IntArray
from hueph.chart import Chart
from hueph.errors import NotFittedError
from hueph.estimating.features import TubeEvidence
from hueph.estimating.posterior import PooledEvidence, Posterior, pool_experts, spread
from hueph.estimating.refining import load_refiners
from hueph.estimating.scores import LEAST_DENSITY, conditioned, label_score, log_pool, weighted

__all__ = [
    "IndicatorCalibration",
    "Kernel",
    "KnownTube",
    "LeftOut",
    "calibration_of",
    "dye_load",
    "known_tubes",
    "picture_distance",
]

# Likeness of two pictures below which standards tell hardly more than that card and liquid differ.
UNLIKE = 0.2
# Temperature of usual pictures (`hueph.estimating.widening`): what the network was trained in, and need no
# widening for.
_USUAL_WIDENING = 1.2


@dataclass(frozen=True, slots=True, eq=False)
class LeftOut:
    """A standard read as if it were a sample.

    Attributes
    ----------
    tube : KnownTube
    alone : Posterior
        By the printed chart alone.
    refined : Posterior
        With the help of the other standards.
    score, score_std : float
        Normal score of its label less what the others predict, and how far that may be off (k = 1).
    """

    tube: KnownTube
    alone: Posterior
    refined: Posterior
    score: float
    score_std: float


class IndicatorCalibration:
    """What standards teach about one indicator beside one chart.

    Parameters
    ----------
    kernel : Kernel
        How errors hang together.

    Attributes
    ----------
    tubes_ : tuple of KnownTube
    scores_ : array, shape (n,)
        Normal score of each label in the posterior by the chart alone: the error made there.
    places_ : list of (float, float)
        pH read by the chart alone, and `dye_load`.
    amplitude_ : float
        How far this workshop is off compared with the simulated ones (1).

    Notes
    -----
    Labels further out than 3 in 10,000 count as if they lay there, so that one wrong label cannot move
    everything.
    """

    def __init__(self, kernel: Kernel | None = None) -> None:
        self.kernel = kernel if kernel is not None else Kernel()
        self.tubes_: tuple[KnownTube, ...] = ()
        self.scores_: FloatArray = np.zeros(0)
        self.places_: list[Place] = []
        self.amplitude_ = 1.0
        self._read: list[PooledEvidence] = []
        self._posteriors: list[Posterior] = []
        self._label_var: FloatArray = np.zeros(0)
        self._pictures: dict[str, TubeEvidence] = {}
        self._kriging: Kriging | None = None

    def fit(self, tubes: Sequence[KnownTube]) -> IndicatorCalibration:
        """Read every standard by the chart alone and keep the errors made.

        Parameters
        ----------
        tubes : sequence of KnownTube
            At least one.

        Returns
        -------
        IndicatorCalibration
            Itself.
        """
        self._see(tubes)
        return self

    def seen_as(self, tubes: Sequence[KnownTube]) -> IndicatorCalibration:
        """Return what the same standards would teach had they been seen otherwise, all else as fitted."""
        other = IndicatorCalibration(self.kernel)
        other._see(tubes, self.amplitude_)
        return other

    def _see(self, tubes: Sequence[KnownTube], amplitude: float | None = None) -> None:
        """Read every standard by the chart alone, and set the errors beside one another."""
        self.tubes_ = tuple(tubes)
        self._read = [pool_experts(tube.evidence) for tube in self.tubes_]
        self._posteriors = [spread(pooled) for pooled in self._read]
        self.places_ = [
            _place(tube.evidence, seen) for tube, seen in zip(tubes, self._posteriors, strict=True)
        ]
        labels = [
            label_score(tube.ph, tube.ph_std, seen)
            for tube, seen in zip(tubes, self._posteriors, strict=True)
        ]
        self.scores_ = np.array([score for score, _ in labels])
        self._label_var = np.array([std**2 for _, std in labels])
        self._pictures = {tube.photo: tube.evidence for tube in self.tubes_}
        names = list(self._pictures)
        alike = np.array([[self._alike(self._pictures[one], one, other) for other in names] for one in names])
        of = [names.index(tube.photo) for tube in self.tubes_]
        self._kriging = Kriging(
            self.kernel, self.scores_, self._label_var, self.places_, of, alike, amplitude
        )
        self.amplitude_ = self._kriging.amplitude

    def _fitted(self) -> Kriging:
        """Return what the standards teach, if there are any."""
        if self._kriging is None:
            raise NotFittedError("this calibration holds no standards yet: call fit before refine")
        return self._kriging

    def likeness(self, evidence: TubeEvidence, photo: str = "") -> float:
        """Return how much a picture looks like the most similar one with standards, 0 to 1.

        Parameters
        ----------
        evidence : TubeEvidence
            Of any tube of the picture.
        photo : str
            The picture's hash.
        """
        return max((self._alike(evidence, photo, other) for other in self._pictures), default=0.0)

    def refine(
        self,
        evidence: TubeEvidence,
        pooled: PooledEvidence,
        *,
        photo: str = "",
        widen: float = 1.0,
        off: float = 0.0,
    ) -> Posterior:
        """Return the posterior of a tube with what the standards teach about it.

        Parameters
        ----------
        evidence : TubeEvidence
        pooled : PooledEvidence
            Of that tube, by the chart alone; read together with the tubes of its picture or by itself.
        photo : str
            Hash of the picture; a standard in the same picture counts most.
        widen : float
            Temperature that the posterior by the chart alone would get; what the standards do not
            explain is widened as much.
        off : float
            Had the standards' own errors (their optics, their labels) moved what they predict by so many
            of their standard uncertainties; unless it is 0, by kriging alone.

        Returns
        -------
        Posterior

        Raises
        ------
        NotFittedError
            `fit` was not called.
        """
        own = pooled.by_itself()
        kriged = self.by_kriging(evidence, own, photo=photo, widen=widen, off=off)
        if off:
            return kriged
        is_widened = widen > self._fitted().whole
        started = self.by_kriging(evidence, own, photo=photo) if is_widened else kriged
        corrected = self._corrected(SeenTube.of(evidence), own, photo, started, widen=widen)
        # Squared: pictures half alike share too little for colours to be set beside one another.
        share = self.likeness(evidence, photo) ** 2
        read = log_pool(corrected, kriged, share)
        # What the other tubes of the picture bring is news as far as the standards have not said it.
        return weighted(read, pooled.grid, (1.0 - share) / max(1.0, widen) * pooled.company)

    def by_kriging(
        self,
        evidence: TubeEvidence,
        pooled: PooledEvidence,
        *,
        photo: str = "",
        widen: float = 1.0,
        off: float = 0.0,
    ) -> Posterior:
        """Do what `refine` does from one number of each tube, without a look at colours.

        Raises
        ------
        NotFittedError
            `fit` was not called.
        """
        kriging, seen = self._fitted(), spread(pooled.by_itself())
        alike = {other: self._alike(evidence, photo, other) for other in self._pictures}
        cross = kriging.cross(
            _place(evidence, seen),
            [alike[tube.photo] for tube in self.tubes_],
            [bool(photo) and tube.photo == photo for tube in self.tubes_],
        )
        mean, variance, own = kriging.predict(cross, np.arange(len(self.tubes_)))
        return conditioned(seen, mean + off * own, variance * max(1.0, widen / kriging.whole))

    def beside(
        self,
        tube: SeenTube,
        pooled: PooledEvidence,
        kriged: Posterior,
        photo: str,
        others: IntArray | None = None,
    ) -> tuple[Float32Array, FloatArray]:
        """Return what the network is shown of a sample beside the standards.

        Parameters
        ----------
        tube : SeenTube
        pooled : PooledEvidence
            Of that tube, by the chart alone.
        kriged : Posterior
            Of that tube, by kriging.
        photo : str
            Hash of the picture.
        others : array of int, optional
            The standards that may be used. Default: all.

        Returns
        -------
        features : array, shape (m, n)
        base : array, shape (m,)
            Log density of `kriged` on the candidate grid.
        """
        base = log_on_grid(kriged, pooled.grid)
        return self._curves.features(tube, photo, (base, pooled.log_density), pooled.misfit, others), base

    @functools.cached_property
    def _curves(self) -> LiquidCurves:
        """The chart's curve bent to the standards."""
        return LiquidCurves(self.tubes_, self.amplitude_)

    def _corrected(
        self,
        tube: SeenTube,
        pooled: PooledEvidence,
        photo: str,
        kriged: Posterior,
        *,
        widen: float = 1.0,
        others: IntArray | None = None,
    ) -> Posterior:
        """Correct what kriging gave by the network."""
        features, base = self.beside(tube, pooled, kriged, photo, others)
        density = np.mean([refiner.density(features, base) for refiner in load_refiners()], axis=0)
        log_density = np.log(density + LEAST_DENSITY)
        return spread(
            replace(pooled, log_density=log_density - log_density.max()),
            widen=max(1.0, widen / _USUAL_WIDENING),
        )

    def left_out(self, *, whole_photos: bool) -> tuple[LeftOut, ...]:
        """Read each standard with the help of the others only.

        Parameters
        ----------
        whole_photos : bool
            Leave out all standards of its photograph, as for a sample in a picture of its own; else
            only itself, as for a sample that stands beside standards.
        """
        results: list[LeftOut] = []
        for index, tube in enumerate(self.tubes_):
            kriging = self._fitted()
            others = np.array(
                [
                    number
                    for number, other in enumerate(self.tubes_)
                    if number != index and not (whole_photos and other.photo == tube.photo)
                ],
                dtype=np.intp,
            )
            mean, variance, _ = kriging.predict(kriging.cross_of(index), others)
            refined = conditioned(self._posteriors[index], mean, variance)
            if len(others):
                seen = SeenTube.of(tube.evidence)
                corrected = self._corrected(seen, self._read[index], tube.photo, refined, others=others)
                photos = {self.tubes_[int(other)].photo for other in others}
                share = max(self._alike(tube.evidence, tube.photo, name) for name in photos)
                refined = log_pool(corrected, refined, share)
            off = math.sqrt(variance + float(self._label_var[index]))
            results.append(
                LeftOut(tube, self._posteriors[index], refined, float(self.scores_[index]) - mean, off)
            )
        return tuple(results)

    def _alike(self, evidence: TubeEvidence, photo: str, other: str) -> float:
        """Likeness of a picture to one with standards."""
        same = bool(photo) and photo == other
        return likeness(evidence, self._pictures[other], same, self.kernel.alike)


def _place(evidence: TubeEvidence, seen: Posterior) -> Place:
    """Where a tube stands among others: pH read by the chart alone, and dye load."""
    return seen.quantile(0.5), dye_load(evidence)


@functools.lru_cache(maxsize=8)
def calibration_of(chart: Chart) -> IndicatorCalibration | None:
    """Return the calibration a chart's standards make, None for a chart without standards.

    The last few are kept: every photograph of a run is read with the same chart.
    """
    if not chart.standards:
        return None
    return IndicatorCalibration().fit(known_tubes(chart))
