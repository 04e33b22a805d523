"""The figure of `sweep.py`: error and coverage against the one thing that was changed."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from PIL import Image
from scoring import exact_limits, summarise

if TYPE_CHECKING:
    from sweep import Shot

COLUMNS = 4
INK, PALE = "0.0", "0.55"


def draw_figure(shots: Sequence[Shot], path: Path) -> None:
    """Draw one panel a group: RMSE as filled circles, coverage as open squares with exact limits."""
    import matplotlib as mpl

    mpl.use("Agg")
    from matplotlib import pyplot

    groups = [name for name in dict.fromkeys(shot.group for shot in shots) if name != "unchanged"]
    rows = -(-len(groups) // COLUMNS)
    figure, axes = pyplot.subplots(rows, COLUMNS, figsize=(13.0, 2.7 * rows), layout="constrained")
    base = [shot for shot in shots if shot.group == "unchanged"]
    for axis, group in zip(axes.flat, groups, strict=False):
        draw_panel(axis, group, [shot for shot in shots if shot.group == group], base)
    for axis in axes.flat[len(groups) :]:
        axis.set_axis_off()
    figure.suptitle(
        "Filled circles, left: RMSE of stated pH. Open squares, right: share of ranges that hold the truth, "
        "exact 95 % limits (dotted: 95 %). Crosses, right: share of tubes read. First level: unchanged.",
        fontsize=9,
    )
    figure.savefig(path, dpi=80)
    pyplot.close(figure)
    # Sixteen greys are enough and make the file small.
    with Image.open(path) as drawn:
        small = drawn.convert("L").quantize(16)
    small.save(path, optimize=True)


def draw_panel(axis: Any, group: str, shots: Sequence[Shot], base: Sequence[Shot]) -> None:
    """Draw one group."""
    names = list(dict.fromkeys(shot.level for shot in shots))
    levels = [list(base), *([shot for shot in shots if shot.level == name] for name in names)]
    right = axis.twinx()
    places = range(len(levels))
    sums = [summarise([tube for shot in chosen for tube in shot.score.tubes]) for chosen in levels]
    right.axhline(0.95, color=PALE, linestyle=":", linewidth=1.0)
    for place, summary in zip(places, sums, strict=True):
        read = summary.ranges / max(summary.tubes, 1)
        right.plot([place + 0.22], [read], "x", color=INK, markersize=6)
        if summary.ranges:
            low, high = exact_limits(summary.hits, summary.ranges)
            right.plot([place + 0.1] * 2, [low, high], color=PALE, linewidth=1.2)
            share = summary.hits / summary.ranges
            right.plot([place + 0.1], [share], "s", color=INK, markerfacecolor="white", markersize=5)
    errors = [summary.rmse for summary in sums]
    axis.plot(places, errors, "o-", color=INK, markersize=5, linewidth=1.2)
    axis.set(ylim=(0.0, 0.8), ylabel="RMSE, pH")
    right.set(ylim=(0.0, 1.04), ylabel="share")
    short = [text.replace("fluorescent", "fluor.")[:22] for text in ("as is", *names)]
    axis.set_xticks(list(places), short, rotation=35, ha="right", fontsize=7)
    axis.set_title(group, fontsize=9)
