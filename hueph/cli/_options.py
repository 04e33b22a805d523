"""Options that several commands share, defined once."""

from __future__ import annotations

import math

import click

__all__ = ["coverage_option", "json_option", "strict_option"]


def _check_coverage(ctx: click.Context, param: click.Parameter, value: float) -> float:
    """Turn away what is no number: it passes every comparison that only fails on larger or smaller."""
    if math.isnan(value):
        raise click.BadParameter("nan is not in the range 0<x<1.")
    return value


coverage_option = click.option(
    "--coverage",
    type=click.FloatRange(0, 1, min_open=True, max_open=True),
    callback=_check_coverage,
    default=0.95,
    show_default=True,
    help="Probability that a stated range holds the true pH.",
)
json_option = click.option(
    "--json", "as_json", is_flag=True, help="Machine-readable results on standard output."
)
strict_option = click.option("--strict", is_flag=True, help="Exit status 3 when anything was flagged.")
