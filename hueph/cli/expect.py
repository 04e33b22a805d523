"""`hueph expect`: the pH a recipe should have."""

from __future__ import annotations

import json
import os
from typing import TYPE_CHECKING, Any

import click

from hueph.cli import DONE, FLAGGED, verbose_option
from hueph.cli._options import coverage_option, json_option, refuse_options, strict_option
from hueph.errors import InputError

if TYPE_CHECKING:
    from hueph.chemistry.expectation import Expectation

__all__ = ["expect"]


@click.command(short_help="Work out the pH a recipe should have.")
@click.argument("recipe", metavar="RECIPE", required=False)
@json_option
@click.option("--full", is_flag=True, help="List every form and the whole uncertainty budget.")
@click.option(
    "--plan",
    "target",
    nargs=2,
    type=float,
    metavar="PH ML",
    help="Plan a buffer of this pH and volume (from the solutions of RECIPE, or from the table).",
)
@click.option(
    "--total", type=float, default=0.1, show_default=True, help="With --plan: stock solutions, mol/L."
)
@click.option("--temperature", type=float, help="°C, for a one-liner or a plan (a recipe states its own).")
@click.option("--monte-carlo", "runs", type=int, metavar="N", help="Also run N times with random errors.")
@click.option("--seed", type=click.IntRange(min=0), default=0, show_default=True, help="Of the random runs.")
@click.option("--plots", "folder", metavar="DIR", help="Draw titrations, species and capacity into DIR.")
@coverage_option
@strict_option
@verbose_option
@click.pass_context
def expect(
    ctx: click.Context,
    /,
    recipe: str | None,
    as_json: bool,
    full: bool,
    target: tuple[float, float] | None,
    total: float,
    temperature: float | None,
    runs: int | None,
    seed: int,
    folder: str | None,
    coverage: float,
    strict: bool,
) -> int:
    """Work out the pH of a preparation step by step, exactly and by the textbook shortcut.

    RECIPE is a recipe file, or a line: portions joined by plus signs, or sentences parted by semicolons.

    Example: hueph expect "5 mL 0.1 M acetic acid + 5 mL 0.1 M NaOH; add 5 drops of 0.1 M HCl to it"

    Example: hueph expect --plan 6.5 100
    """
    if runs is None:
        refuse_options(ctx, ("seed",), "is the seed of --monte-carlo N: give both")
    if target is not None:
        refuse_options(ctx, ("full", "runs", "folder"), "cannot be used with --plan")
        if recipe is not None:
            refuse_options(
                ctx,
                ("total", "temperature"),
                "cannot be used with a plan from a recipe, which states its own",
            )
        return _plan(recipe, target, total, temperature, coverage, as_json, strict)
    refuse_options(ctx, ("total",), "goes with --plan PH ML")
    if recipe is None or not recipe.strip():
        raise click.UsageError("name a recipe file, write a one-liner in quotes, or ask for --plan PH ML")
    from hueph.chemistry.expectation import expect_recipe
    from hueph.chemistry.report import expectation_text

    made = expect_recipe(_checked(recipe, temperature))
    spreads = _spreads(made, runs, seed, coverage) if runs is not None else {}
    drawn = [] if folder is None else _draw(made, folder)
    if as_json:
        found = made.to_dict(coverage)
        for step in found["steps"]:
            step.update(spreads.get(step["step"], {}))
        click.echo(json.dumps(found))
    else:
        click.echo(expectation_text(made, coverage=coverage, verbose=full))
        if spreads:
            click.echo(f"\n{runs} random runs:")
        for name, spread in spreads.items():
            low, high = spread["monte_carlo_range"]
            click.echo(
                f"  {name}   {low:.2f} to {high:.2f}, standard deviation {spread['monte_carlo_std']:.3f}"
            )
    for path in drawn:
        click.echo(f"drawn: {path}", err=True)
    return FLAGGED if strict and any(step.cautions for step in made.steps) else DONE


def _draw(made: Expectation, folder: str) -> list[str]:
    """Draw before anything is printed, so that a failure leaves no half answer."""
    from hueph.plots_chemistry import save_plots

    return save_plots(made, folder)


def _checked(recipe: str, temperature: float | None) -> Any:
    """Read a recipe file, or a line that names no file."""
    from hueph.chemistry.recipe import load_recipe, parse_one_liner

    # A word without spaces is a file, there or not: no recipe has one word.
    if os.path.exists(recipe) or " " not in recipe.strip() or recipe.casefold().endswith(".toml"):
        if temperature is not None:
            raise click.UsageError("--temperature is for one-liners and plans; a recipe file states its own")
        if "." not in recipe and not os.path.exists(recipe):
            raise InputError(
                f"there is no recipe file {recipe}, and a line begins with an amount, such as '5 mL 0.1 M acetic acid'"
            )
        return load_recipe(recipe)
    if temperature is not None and not 0.0 <= temperature <= 50.0:
        raise click.BadParameter(
            f"must lie between 0 and 50 °C, got {temperature:g}", param_hint="--temperature"
        )
    return parse_one_liner(recipe, temperature_c=25.0 if temperature is None else temperature)


def _spreads(made: Expectation, runs: int, seed: int, coverage: float) -> dict[str, dict[str, Any]]:
    """Spread of the random runs, by step."""
    import numpy as np

    tail = 0.5 * (1.0 - coverage)
    found = {}
    for name, ph in made.monte_carlo(runs, rng=np.random.default_rng(seed)).items():
        low, high = np.quantile(ph, [tail, 1.0 - tail])
        found[name] = {"monte_carlo_range": [float(low), float(high)], "monte_carlo_std": float(np.std(ph))}
    return found


def _plan(
    recipe: str | None,
    target: tuple[float, float],
    total: float,
    temperature: float | None,
    coverage: float,
    as_json: bool,
    strict: bool,
) -> int:
    """Print the ways to make a buffer."""
    from hueph.chemistry.plan import plan_buffer
    from hueph.chemistry.recipe import load_recipe
    from hueph.chemistry.report import plan_text

    stocks = load_recipe(recipe) if recipe is not None else None
    celsius = 25.0 if temperature is None else temperature
    plans = plan_buffer(*target, total_molar=total, temperature_c=celsius, stocks=stocks)
    if as_json:
        best = plans[0].expectation.to_dict(coverage)
        click.echo(json.dumps({"plan": [plan.to_dict(coverage) for plan in plans], **best}))
    else:
        click.echo(plan_text(plans, target[0], coverage=coverage))
        click.echo(f"\nThe first as a recipe:\n\n{plans[0].recipe}", nl=False)
    return FLAGGED if strict and any(plan.cautions for plan in plans[:1]) else DONE
