"""Widen posteriors until their ranges hold what they promise.

A range of 95 % has to hold 95 times in a hundred, in every situation. How much the raw posterior has
to be flattened for that was found by conformal calibration on rendered scenes and on photographs,
the photograph as the unit, situation by situation (split conformal prediction with groups: Vovk,
Gammerman and Shafer 2005, "Mondrian" predictors; the nested sets are ranges at rising temperature).
`tests/accuracy/fit_widening.py` makes the table.
"""

from __future__ import annotations

import functools
import importlib.resources
import json
from collections.abc import Collection
from dataclasses import dataclass

from hueph.errors import InputError
from hueph.estimating.posterior import PooledEvidence, spread, state

__all__ = ["COVERAGE", "Situation", "WideningTable", "find_situation", "load_widening"]

TABLE_VERSION = 1
# The coverage the table is fitted for; DEVELOPERS.md says how well it serves others.
COVERAGE = 0.95
# Distance from the surface (CAM16-UCS) and residual of the colour correction (CIEDE2000) above which
# a picture is unlike those the networks do well on; rendered scenes show a bend there.
STRANGE_MISFIT = 9.0
STRANGE_RESIDUAL = 4.0
# Flags of a picture whose light is not fit for colours.
_BAD_LIGHT = frozenset({"uneven-light", "too-dark", "clipped", "glare", "noisy", "blurred", "bright-glass"})
# Flags of a strip whose colours cannot be trusted: drawn scenes hardly ever show one, so it is strange.
_DOUBTFUL_STRIP = frozenset({"strip-uneven"})
_TABLE_FILE = "widening.json"


@dataclass(frozen=True, slots=True)
class Situation:
    """What decides how far a posterior is widened.

    Attributes
    ----------
    place : str
        "inside", "near-end" (the raw posterior reaches beyond the chart), "coloured-backing" or
        "bad-light".
    strange : bool
        The colours fit neither the surface nor the correction as they usually do.
    """

    place: str
    strange: bool

    @property
    def name(self) -> str:
        """Key in the table."""
        return f"{self.place}, {'strange' if self.strange else 'usual'}"


@dataclass(frozen=True, slots=True)
class WideningTable:
    """Temperatures by situation.

    Attributes
    ----------
    temperatures : dict of str to float
        By `Situation.name`.
    """

    temperatures: dict[str, float]

    def temperature(self, situation: Situation) -> float:
        """Divisor of the log density; 1 leaves it alone, above 1 flattens it."""
        return self.temperatures[situation.name]


PLACES = ("inside", "near-end", "coloured-backing", "bad-light")


def find_situation(pooled: PooledEvidence, flags: Collection[str], residual_delta_e: float) -> Situation:
    """Return the situation a tube is in; everything it depends on is seen in the picture.

    Parameters
    ----------
    pooled : PooledEvidence
    flags : collection of str
        Quality flags of the tube (`hueph.flags`).
    residual_delta_e : float
        Leave-one-patch-out residual of the picture's colour correction, CIEDE2000.

    Returns
    -------
    Situation
    """
    strange = (
        pooled.misfit > STRANGE_MISFIT
        or residual_delta_e > STRANGE_RESIDUAL
        or bool(_DOUBTFUL_STRIP & set(flags))
    )
    if _BAD_LIGHT & set(flags):
        return Situation("bad-light", strange)
    if "coloured-backing" in flags:
        return Situation("coloured-backing", strange)
    reaches_beyond = state(spread(pooled), coverage=COVERAGE).bound is not None
    return Situation("near-end" if reaches_beyond else "inside", strange)


@functools.cache
def load_widening() -> WideningTable:
    """Return the shipped table.

    Raises
    ------
    InputError
        The table is of another version or lacks a situation.
    """
    text = importlib.resources.files("hueph.estimating").joinpath("data", _TABLE_FILE).read_text("utf-8")
    content = json.loads(text)
    temperatures = {str(name): float(value) for name, value in content["temperatures"].items()}
    wanted = {Situation(place, strange).name for place in PLACES for strange in (False, True)}
    if content["version"] != TABLE_VERSION or set(temperatures) != wanted:
        raise InputError("the table of the widening does not fit this version; reinstall hueph")
    return WideningTable(temperatures)
