"""Drawings hold what the results say, and tell their curves apart without colour."""

from __future__ import annotations

import numpy as np
import pytest

from hueph.chemistry.indicators import find_indicator
from hueph.chemistry.preparations import prepare
from hueph.chemistry.titration import titrate
from hueph.errors import InputError
from hueph.plots_chemistry import plot_capacity, plot_species, plot_titration

pyplot = pytest.importorskip("matplotlib.pyplot")


@pytest.fixture(autouse=True)
def close_figures() -> object:
    """Leave no figure open."""
    yield
    pyplot.close("all")


def test_titration_curve() -> None:
    curve = titrate(prepare({"acetic acid": 0.1}, 25.0), prepare({"NaOH": 0.1}))
    axes = plot_titration(curve, title="acid with lye")
    drawn = max(axes.lines, key=lambda line: len(line.get_xdata()))
    assert np.array_equal(drawn.get_ydata(), curve.ph)
    words = [text.get_text() for text in axes.texts]
    assert "phenolphthalein" in words
    assert "25.00 mL, pH 8.64" in words


def test_the_range_of_the_indicator_in_use_is_shaded_and_named() -> None:
    curve = titrate(prepare({"acetic acid": 0.1}, 25.0), prepare({"NaOH": 0.1}))
    for indicator, name in (
        (find_indicator("phenolphthalein"), "phenolphthalein"),
        (find_indicator("methyl orange"), "methyl orange"),  # does not fit, and is what the band has to show
        (None, curve.fit_indicators()[0].indicator.name),
    ):
        axes = plot_titration(curve, indicator=indicator)
        (band,) = axes.patches
        low, high = find_indicator(name).transition_range
        assert (band.get_y(), band.get_y() + band.get_height()) == pytest.approx((low, high))
        words = [text.get_text() for text in axes.texts]
        assert f"{name} turns" in words
        assert words.count(name) == 1


def test_species_differ_by_dashes_and_add_up() -> None:
    axes = plot_species(prepare({"citric acid": 0.05}))
    lines = [line for line in axes.lines if len(line.get_xdata()) > 100]
    assert len(lines) == 4
    styles = {str(line.get_linestyle()) + str(line._unscaled_dash_pattern) for line in lines}
    assert len(styles) == 4
    # Grey ink only.
    assert {line.get_color() for line in lines} <= {str(0.1 + 0.01 * k) for k in range(100)} | {"0.1"}
    assert sum(line.get_ydata() for line in lines) == pytest.approx(np.ones(len(lines[0].get_xdata())))
    with pytest.raises(InputError, match="needs a weak acid or base"):
        plot_species(prepare({"NaCl": 0.1}))


def test_capacity_peaks_at_the_pka() -> None:
    axes = plot_capacity(prepare({"acetic acid": 0.05, "sodium acetate": 0.05}))
    line = max(axes.lines, key=lambda item: len(item.get_xdata()))
    ph, capacity = np.asarray(line.get_xdata()), np.asarray(line.get_ydata())
    middle = (ph > 3.8) & (ph < 5.8)
    assert ph[middle][np.argmax(capacity[middle])] == pytest.approx(4.67, abs=0.08)
