"""Drawings of the chemistry (optional: needs matplotlib); curves differ by their dashes, for grey print."""

from __future__ import annotations

import itertools
import os
import re
import textwrap
from typing import Any

from hueph._optional import require
from hueph._system import system_sentence
from hueph._types import PathLike
from hueph.chemistry.equilibrium import Conditions
from hueph.chemistry.expectation import Expectation
from hueph.chemistry.formula import display_form
from hueph.chemistry.indicators import Indicator
from hueph.chemistry.preparations import Mixture
from hueph.chemistry.sweep import sweep_ph
from hueph.chemistry.titration import TitrationCurve
from hueph.errors import InputError

__all__ = ["plot_capacity", "plot_species", "plot_titration", "save_plots"]

_DASHES = ("-", "--", "-.", ":", (0, (5, 1, 1, 1, 1, 1)), (0, (1, 3)))
_INK, _PALE = "0.1", "0.88"
# As many ranges as stand beside the curve without crowding.
_MOST_INDICATORS = 4
# An acid scarcer than this share of the most plentiful one is left out (the air's carbon dioxide, mostly).
_SCARCE_SHARE = 0.01


def plot_titration(
    curve: TitrationCurve,
    *,
    drop_ml: float = 0.05,
    indicator: Indicator | None = None,
    title: str = "",
    axes: Any = None,
) -> Any:
    """Draw a titration curve with its equivalence points and the ranges of the best indicators.

    Parameters
    ----------
    curve : TitrationCurve
    drop_ml : float
        By which indicators are judged.
    indicator : Indicator, optional
        The one that is used: its range is shaded and comes first. Default: the one that fits best.
    axes : matplotlib axes, optional

    Returns
    -------
    matplotlib axes

    Raises
    ------
    MissingDependency
        matplotlib is not installed.
    """
    axes = axes if axes is not None else _new_axes()
    fits = curve.fit_indicators(drop_ml=drop_ml)
    shown = [fit.indicator for fit in fits if fit.verdict != "does-not-fit"]
    if indicator is not None:
        shown = [indicator, *(other for other in shown if other.name != indicator.name)]
    for number, one in enumerate(shown[:_MOST_INDICATORS]):
        low, high = one.transition_range
        if number == 0:
            axes.axhspan(low, high, color=_PALE, linewidth=0)
            beside = {"transform": axes.get_yaxis_transform(), "fontsize": 8}
            axes.text(0.015, high - 0.1, f"{one.name} turns", va="top", **beside)
        _draw_range(axes, one.name, low, high, 1.03 + 0.055 * number)
    axes.plot(curve.volume_ml, curve.ph, color=_INK, linewidth=1.8, zorder=3)
    for point in curve.equivalence_points:
        marker = "o" if point.visible else "x"
        axes.plot([point.volume_ml], [point.ph], marker, color=_INK, markerfacecolor="white", zorder=4)
        axes.annotate(
            f"{point.volume_ml:.2f} mL, pH {point.ph:.2f}", (point.volume_ml, point.ph),
            xytext=(8, -12), textcoords="offset points", fontsize=8, zorder=5,
            bbox={"facecolor": "white", "edgecolor": "none", "pad": 1.0},
        )  # fmt: skip
    axes.set(xlabel="titrant, mL", ylabel="pH", ylim=(0, 14), xlim=(0, curve.volume_ml[-1]))
    _entitle(axes, title)
    return axes


def plot_species(
    mixture: Mixture, *, conditions: Conditions | None = None, title: str = "", axes: Any = None
) -> Any:
    """Draw how every acid of a liquid is shared out among its forms against pH.

    Raises
    ------
    InputError
        The liquid holds no weak acid or base.
    MissingDependency
        matplotlib is not installed.
    """
    axes = axes if axes is not None else _new_axes()
    held = {key: float(moles[0]) for key, moles in mixture.acids.items()}
    most = max(held.values(), default=0.0)
    if most <= 0.0:
        raise InputError(
            "drawing the distribution of species needs a weak acid or base, this liquid has none"
        )
    acids = [key for key, moles in held.items() if moles >= _SCARCE_SHARE * most]
    swept = sweep_ph(mixture, conditions)
    dashes = itertools.cycle(_DASHES)
    for number, key in enumerate(acids):
        forms = mixture.table.acids[key].forms
        total = swept.acid_totals[key]
        shade = str(0.1 + 0.5 * number / len(acids))
        for form in forms:
            share = swept.species_molar[form] / total
            axes.plot(swept.ph, share, linestyle=next(dashes), color=shade, label=display_form(form))
    _mark_ph(mixture, conditions, axes)
    axes.set(xlabel="pH", ylabel="share of the acid", xlim=(1, 13), ylim=(0, 1.02))
    axes.legend(fontsize=8, loc="center left", bbox_to_anchor=(1.01, 0.5), handlelength=3.5)
    _entitle(axes, title)
    return axes


def plot_capacity(
    mixture: Mixture, *, conditions: Conditions | None = None, title: str = "", axes: Any = None
) -> Any:
    """Draw the buffer capacity of a liquid against pH, with its own pH marked.

    Raises
    ------
    MissingDependency
        matplotlib is not installed.
    """
    axes = axes if axes is not None else _new_axes()
    swept = sweep_ph(mixture, conditions, low=3.0, high=11.0)
    axes.plot(swept.ph, 1000.0 * swept.buffer_capacity, color=_INK, linewidth=1.8)
    _mark_ph(mixture, conditions, axes)
    axes.set(xlabel="pH", ylabel="buffer capacity, mmol/L per pH unit", xlim=(3, 11))
    axes.set_ylim(bottom=0)
    _entitle(axes, title)
    return axes


def save_plots(made: Expectation, folder: PathLike) -> list[str]:
    """Draw every step of a recipe into a folder and return the files written.

    Each step with a weak acid or base gets its distribution of species and its capacity, each titration
    its curve.

    Raises
    ------
    InputError
        The folder cannot be made or written to.
    MissingDependency
        matplotlib is not installed.
    """
    pyplot = _pyplot()
    target = os.fspath(folder)
    conditions = made.recipe.conditions()
    written = []
    for step in made.steps:
        drawings: list[tuple[str, Any, dict[str, Any]]] = []
        if step.titration is not None:
            used = step.titration.indicator
            values = {
                "curve": step.titration.curve,
                "drop_ml": made.recipe.drop_ml,
                "indicator": None if used is None else used.indicator,
            }
            drawings.append(("titration", plot_titration, values))
        if any(float(moles[0]) > 0.0 for moles in step.mixture.acids.values()):
            shared = {"mixture": step.mixture, "conditions": conditions}
            drawings += [("species", plot_species, shared), ("capacity", plot_capacity, shared)]
        for kind, draw, values in drawings:
            figure, axes = pyplot.subplots(figsize=(6.4, 4.4), layout="constrained")
            draw(**values, title=f"{step.name}: {step.text}", axes=axes)
            path = os.path.join(target, f"{_file_name(step.name)}-{kind}.png")
            try:
                os.makedirs(target, exist_ok=True)
                figure.savefig(path, dpi=130)
            except OSError as error:
                raise InputError(f"cannot write the drawing {path}: {system_sentence(error)}") from error
            finally:
                pyplot.close(figure)
            written.append(path)
    return written


def _mark_ph(mixture: Mixture, conditions: Conditions | None, axes: Any) -> None:
    """Mark the pH of the liquid itself."""
    ph = float(mixture.first().equilibrium(conditions).ph[0])
    axes.axvline(ph, color=_INK, linewidth=0.8, linestyle=":")
    axes.annotate(
        f"pH {ph:.2f}", (ph, 0.5), xycoords=axes.get_xaxis_transform(), xytext=(3, 0), textcoords="offset points",
        fontsize=8, rotation=90, va="center",
    )  # fmt: skip


def _draw_range(axes: Any, name: str, low: float, high: float, place: float) -> None:
    """Draw a transition range as a bar beside the curve, its name along it."""
    beside = {"transform": axes.get_yaxis_transform(), "clip_on": False}
    axes.plot([place, place], [low, high], color=_INK, marker="_", linewidth=2.5, markersize=9, **beside)
    axes.text(place, high + 0.3, name, rotation=90, ha="center", va="bottom", fontsize=8, **beside)


def _entitle(axes: Any, title: str) -> None:
    axes.set_title(textwrap.fill(title, 60), fontsize=10)


def _file_name(name: str) -> str:
    return re.sub(r"[^\w.-]+", "-", name)


def _pyplot() -> Any:
    """Matplotlib with a backend that needs no screen."""
    matplotlib = require("matplotlib", purpose="drawing curves", extra="plots")
    matplotlib.use("Agg")
    return require("matplotlib.pyplot", purpose="drawing curves", extra="plots")


def _new_axes() -> Any:
    _, axes = _pyplot().subplots(figsize=(6.4, 4.4), layout="constrained")
    return axes
