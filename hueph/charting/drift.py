"""How far a print has drifted from its chart file, in colour and in pH."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from hueph._types import FloatArray
from hueph.chart import Chart
from hueph.charting.calibrate import Picture, calibrate_pictures
from hueph.charting.printed import calibrate_card
from hueph.colour.difference import delta_e_cie2000
from hueph.colour.lab import lab_to_xyz, xyz_to_lab

__all__ = ["DriftReport", "check_drift"]

# Above this median drift, beyond what the measurement itself scatters, a fresh print pays:
# a difference that is seen side by side (common practice, no source), CIEDE2000.
_REPRINT_DELTA_E = 3.0
# or when the drift alone moves a reading by this much, pH.
_REPRINT_PH = 0.2


@dataclass(frozen=True, slots=True, eq=False)
class DriftReport:
    """Drift of each patch of a print.

    Attributes
    ----------
    chart : Chart
        The chart file compared with.
    measured : Chart
        What the pictures show now.
    delta_e : array, shape (n,)
        CIEDE2000 between file and print, both relative to their paper.
    ph_shift : array, shape (n,)
        By how much a liquid that looks like the patch would be misread, pH; nan where the indicator hardly turns.
    verdict : str
        "fit", "reprint" or "undecided".
    reason : str
        One sentence.
    """

    chart: Chart
    measured: Chart
    delta_e: FloatArray
    ph_shift: FloatArray
    verdict: str
    reason: str

    def __str__(self) -> str:
        lines = [
            f"{self.chart.name}: drift of the print since the chart file was made",
            "   pH   CIEDE2000   pH shift",
        ]
        for ph, delta, shift in zip(self.chart.ph, self.delta_e, self.ph_shift, strict=True):
            moved = "   (hardly turns here)" if np.isnan(shift) else f"   {shift:+.2f}"
            lines.append(f"{ph:5.2f}   {delta:6.1f}   {moved}")
        lines.append(f"{self.verdict}: {self.reason}")
        return "\n".join(lines)

    def to_dict(self) -> dict[str, Any]:
        """Return the JSON-ready form."""
        return {
            "chart": {"name": self.chart.name, "sha256": self.chart.sha256},
            "patches": [
                {
                    "ph": float(ph),
                    "delta_e": round(float(delta), 2),
                    "ph_shift": None if np.isnan(shift) else round(float(shift), 3),
                }
                for ph, delta, shift in zip(self.chart.ph, self.delta_e, self.ph_shift, strict=True)
            ],
            "verdict": self.verdict,
            "reason": self.reason,
        }


def check_drift(
    chart: Chart,
    pictures: Sequence[Picture],
    *,
    reverse: bool = False,
    corners: npt.ArrayLike | None = None,
) -> DriftReport:
    """Compare a print with its chart file.

    Parameters
    ----------
    chart : Chart
        As it was when calibrated.
    pictures : sequence
        Pictures of the print as it is now.
    reverse : bool
        As for `calibrate_picture`; a card with markers needs neither this nor `corners`.
    corners : array, shape (4, 2), optional
        As for `calibrate_picture`.

    Returns
    -------
    DriftReport

    Raises
    ------
    ChartError
        The chart is not found in a picture.
    PhotoError
        A file cannot be used as a picture.

    Examples
    --------
    >>> print(check_drift(load_chart("chart.toml"), ["scan.png"]).verdict)  # doctest: +SKIP
    fit
    """
    if chart.markers:
        made = calibrate_card(chart, pictures)
    else:
        made = calibrate_pictures(
            pictures, chart.ph.tolist(), name=chart.name, reverse=reverse, corners=corners, allow_alike=True
        )
    before, after = _on_white(chart), _on_white(made.chart)
    delta = delta_e_cie2000(before, after)
    shift = ph_shifts(chart.ph, before, after)
    known, seen = (
        float(np.median([patch.delta_e_std for patch in one.patches])) for one in (chart, made.chart)
    )
    verdict, reason = _judge(delta, shift, known, seen)
    return DriftReport(chart, made.chart, np.asarray(delta), shift, verdict, reason)


def _on_white(chart: Chart) -> FloatArray:
    """Patch colours relative to the paper, CIELAB."""
    xyz = lab_to_xyz(chart.lab)
    paper = lab_to_xyz(np.array(chart.paper_lab))
    white = lab_to_xyz(np.array([100.0, 0.0, 0.0]))
    return np.asarray(xyz_to_lab(xyz / paper * white))


def ph_shifts(ph: FloatArray, before: FloatArray, after: FloatArray) -> FloatArray:
    """Return how far the nearest point of the old colour curve lies from each patch's own pH.

    Parameters
    ----------
    ph : array, shape (n,)
    before, after : array, shape (n, 3)
        CIELAB of the patches then and now.

    Returns
    -------
    array, shape (n,)
        What a reading made with the drifted print would add to the true pH; nan where the colour
        changes by less than 2 CIEDE2000 over the neighbouring patches.
    """
    fine = np.linspace(ph[0], ph[-1], 40 * (len(ph) - 1) + 1)
    curve = np.stack([np.interp(fine, ph, after[:, k]) for k in range(3)], axis=1)
    shifts = np.full(len(ph), np.nan)
    for k in range(len(ph)):
        low, high = max(k - 1, 0), min(k + 1, len(ph) - 1)
        if float(delta_e_cie2000(before[low], before[high])) < 2.0:
            continue
        # A liquid of the old colour is matched against the print as it is now, within two patches.
        near = (fine >= ph[max(k - 2, 0)]) & (fine <= ph[min(k + 2, len(ph) - 1)])
        distance = delta_e_cie2000(np.broadcast_to(before[k], curve[near].shape), curve[near])
        shifts[k] = fine[near][int(np.argmin(distance))] - ph[k]
    return shifts


def _judge(delta: FloatArray, shift: FloatArray, known: float, measured: float) -> tuple[str, str]:
    """Verdict and its reason; `known` and `measured` are how sure file and pictures are, CIEDE2000 (k = 1)."""
    uncertainty = float(np.hypot(known, measured))
    middle, worst = float(np.median(delta)), float(np.max(delta))
    moved = float(np.nanmax(np.abs(shift))) if np.isfinite(shift).any() else 0.0
    seen = f"median drift {middle:.1f}, largest {worst:.1f} CIEDE2000, up to {moved:.2f} pH"
    limit = max(_REPRINT_DELTA_E, 1.5 * uncertainty)
    if middle > limit or (moved > _REPRINT_PH and middle > 1.2 * uncertainty):
        return "reprint", f"{seen}; print a fresh card, or calibrate this one again and use the new file"
    if middle <= _REPRINT_DELTA_E and moved <= _REPRINT_PH:
        return "fit", f"{seen}; the print still agrees with its file"
    if known > measured:
        doubt = f"the chart file is sure of its colours (about {known:.1f})"
        remedy = "calibrate the print and check against that file later"
    else:
        doubt = f"photographs of other lamps and cameras scatter (about {uncertainty:.1f})"
        remedy = "scan the card, or give several photographs"
    return "undecided", f"{seen}, no more than {doubt}; {remedy}"
