"""What a calibration with standards is worth: each standard left out and read like a sample, in words."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from hueph._known_tubes import likeness
from hueph.calibration import UNLIKE, IndicatorCalibration, LeftOut
from hueph.chart import Chart
from hueph.estimating.posterior import Posterior, state
from hueph.interval import Interval, format_ph

__all__ = ["StandardsReport"]

_COVERAGE = 0.95
# Fewer left out than this say nothing about the next sample.
_FEWEST_TO_JUDGE = 4
# A handful of standards differ by so much by chance alone.
_NO_HELP = 1.15


@dataclass(frozen=True, slots=True, eq=False)
class StandardsReport:
    """A chart with standards, and how well they predict each other.

    Attributes
    ----------
    chart : Chart
        With the standards.
    calibration : IndicatorCalibration
    """

    chart: Chart
    calibration: IndicatorCalibration

    @property
    def whole_photos(self) -> bool:
        """Whether a standard is left out with its whole photograph (when there are several)."""
        return len(self.chart.standard_photos) > 1

    def left_out(self) -> tuple[LeftOut, ...]:
        """Each standard read as if it were a sample."""
        return self.calibration.left_out(whole_photos=self.whole_photos)

    def errors(self) -> tuple[float, float]:
        """Root mean square error (pH) of the standards left out: chart alone, and refined."""
        rows = self.left_out()
        alone = [_error(row.alone, row.tube.ph) for row in rows]
        refined = [_error(row.refined, row.tube.ph) for row in rows]
        return float(np.sqrt(np.mean(np.square(alone)))), float(np.sqrt(np.mean(np.square(refined))))

    def __str__(self) -> str:
        rows = self.left_out()
        photos = len(self.chart.standard_photos)
        ph = [row.tube.ph for row in rows]
        where = "photograph" if photos == 1 else "photographs"
        lines = [
            f"{self.chart.name}: {len(rows)} standards in {photos} {where}, pH {min(ph):g} to {max(ph):g}",
            "  label   by the chart alone        left out, by the others    tube",
        ]
        for row in rows:
            lines.append(
                f"  {row.tube.ph:5.2f}   {_said(row.alone):<24}  {_said(row.refined):<25}  {row.tube.name}"
            )
        return "\n".join([*lines, *self.sentences()])

    def sentences(self) -> list[str]:
        """Return in words what readings with this chart can be trusted to."""
        rows = self.left_out()
        unit = "photograph" if self.whole_photos else "standard"
        alone, refined = self.errors()
        said = [
            f"Leaving out one {unit} at a time, the others read the standards with an error of {refined:.2f} "
            f"(root mean square); the printed chart alone {alone:.2f}."
        ]
        if len(rows) < _FEWEST_TO_JUDGE:
            said.append("These are too few to say what other readings can be trusted to; add standards.")
        else:
            ranges = [state(row.refined, coverage=_COVERAGE).interval for row in rows]
            inside = sum(one.contains(row.tube.ph) for one, row in zip(ranges, rows, strict=True))
            half = float(np.median([_half_width(row.refined) for row in rows]))
            said.append(
                f"So a sample within their pH and dye amount, photographed in the same way, can be trusted to about "
                f"{half:.1f} pH units either way (95 %); {inside} of {len(rows)} labels lay in their range."
            )
        if refined > _NO_HELP * alone and len(rows) >= _FEWEST_TO_JUDGE:
            said.append(
                "The standards predict each other no better than the chart does: they are too far apart in pH, or "
                "were not photographed with one phone, lamp and kind of tube."
            )
        if lonely := self._unlike():
            said.append(
                f"The chart looks different from all other photographs in {lonely} (another phone or lamp?); "
                "standards help most in pictures taken like theirs."
            )
        return said

    def to_dict(self) -> dict[str, Any]:
        """Return the JSON-ready form."""
        alone, refined = self.errors()
        return {
            "name": self.chart.name,
            "standards": [
                {
                    "tube": row.tube.name,
                    "ph": row.tube.ph,
                    "ph_std": row.tube.ph_std,
                    "chart_alone": _as_dict(row.alone),
                    "left_out": _as_dict(row.refined),
                }
                for row in self.left_out()
            ],
            "left_out_by": "photograph" if self.whole_photos else "standard",
            "rmse_chart_alone": round(alone, 4),
            "rmse_left_out": round(refined, 4),
            "summary": self.sentences(),
        }

    def _unlike(self) -> str:
        """Name the photographs that look like no other, "" when there are none."""
        tubes = {tube.photo: tube.evidence for tube in self.calibration.tubes_}
        if len(tubes) < 2:
            return ""
        names = {photo.sha256 or photo.file: photo.file for photo in self.chart.standard_photos}
        alike = self.calibration.kernel.alike
        lonely = []
        for photo, evidence in tubes.items():
            others = (other for name, other in tubes.items() if name != photo)
            if max(likeness(evidence, other, False, alike) for other in others) < UNLIKE:
                lonely.append(names.get(photo, photo))
        return ", ".join(lonely)


def _error(seen: Posterior, ph: float) -> float:
    """Median less label; both held inside the chart, beyond which no value is stated."""
    low, high = seen.chart_low, seen.chart_high
    return float(np.clip(seen.quantile(0.5), low, high) - np.clip(ph, low, high))


def _half_width(seen: Posterior) -> float:
    """Half the width of the 95 % range."""
    return 0.5 * (seen.quantile(0.975) - seen.quantile(0.025))


def _said(seen: Posterior) -> str:
    """Return what would be stated."""
    said = state(seen, coverage=_COVERAGE)
    if said.ph is None:
        return str(said.interval).removesuffix(", 95 %")
    digits = 2 if said.interval.width < 0.15 else 1
    return f"{format_ph(said.ph, digits)} ({said.interval})".replace(", 95 %", "")


def _as_dict(seen: Posterior) -> dict[str, Any]:
    """Return median and range."""
    said: Interval = state(seen, coverage=_COVERAGE).interval
    limits = [None if limit is None else round(limit, 3) for limit in (said.low, said.high)]
    return {"median": round(seen.quantile(0.5), 3), "range": limits}
