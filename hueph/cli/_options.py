"""Options that several commands share, defined once."""

from __future__ import annotations

import math
from collections.abc import Iterable

import click

__all__ = ["coverage_option", "json_option", "refuse_options", "strict_option", "was_given"]


def _probability(ctx: click.Context, param: click.Parameter, value: str | float) -> float:
    """Turn a word into a number above 0 and below 1 (option callback)."""
    try:
        number = float(value)
    except ValueError:
        number = math.nan
    if not 0.0 < number < 1.0:  # also what is no number
        raise click.BadParameter(f"must be above 0 and below 1, such as 0.95 for 95 %, got {value!r}")
    return number


coverage_option = click.option(
    "--coverage",
    metavar="FLOAT",
    type=str,
    callback=_probability,
    default=0.95,
    show_default=True,
    help="Probability that a stated range holds the true pH.",
)
json_option = click.option(
    "--json", "as_json", is_flag=True, help="Machine-readable results on standard output."
)


def was_given(ctx: click.Context, name: str) -> bool:
    """Say whether an option stands on the command line."""
    return ctx.get_parameter_source(name) is click.core.ParameterSource.COMMANDLINE


def refuse_options(ctx: click.Context, names: Iterable[str], why: str) -> None:
    """Turn away options that would change nothing, by the names of their parameters.

    Raises
    ------
    click.UsageError
        One of them stands on the command line; the text is its longest name, then `why`.
    """
    for param in ctx.command.params:
        if param.name in names and was_given(ctx, param.name):
            raise click.UsageError(f"{max(param.opts, key=len)} {why}", ctx)


strict_option = click.option("--strict", is_flag=True, help="Exit status 3 when anything was flagged.")
