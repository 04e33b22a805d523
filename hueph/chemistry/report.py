"""Expectations as text for a person: functions of the result, nothing is computed here."""

from __future__ import annotations

from hueph.chemistry.expectation import Expectation, ExpectedStep, OneUnit
from hueph.chemistry.formula import display_form
from hueph.chemistry.plan import BufferPlan
from hueph.chemistry.titration_step import TitrationRecord

__all__ = ["expectation_text", "plan_text"]

# Forms scarcer than this are left to the full listing, mol/L.
_SCARCE_MOLAR = 1e-7
_PREFIXES = ((1.0, ""), (1e-3, "m"), (1e-6, "µ"), (1e-9, "n"), (1e-12, "p"))


def expectation_text(made: Expectation, *, coverage: float = 0.95, verbose: bool = False) -> str:
    """Return a report of all steps.

    Parameters
    ----------
    coverage : float
        Of the stated ranges.
    verbose : bool
        Add every form, however scarce, and the whole uncertainty budget.
    """
    recipe = made.recipe
    model = "activities by Davies" if recipe.activity == "davies" else "all ions ideal"
    air = ", open to the air" if recipe.air_open else ""
    lines = [f"{recipe.title or 'Expected pH'} ({recipe.temperature_c:g} °C, {model}{air})"]
    lines += [f"CAUTION {text}" for text in made.cautions]
    for step in made.steps:
        lines += ["", *step_lines(step, coverage=coverage, verbose=verbose)]
    if not made.steps:
        lines += ["", "There are no steps: add them under [steps]."]
    return "\n".join(lines)


def step_lines(step: ExpectedStep, *, coverage: float, verbose: bool) -> list[str]:
    """Return the lines of one step."""
    lines = [f"{step.name}   pH {step.ph:.2f} ({step.interval(coverage)})   {step.volume_ml:.4g} mL"]
    lines.append(f"  {step.text}")
    if step.portions:
        lines.append(f"  {len(step.portions)} portions: {', '.join(step.portions)}")
    if step.ph_ideal is not None:
        lines.append(f"  shortcut {step.ph_ideal:.2f} ({step.shortcut})")
    if step.difference:
        lines.append(f"    {step.difference}")
    lines.append(f"  holds {_forms(step, verbose=verbose)}")
    lines.append(
        f"  ionic strength {_quantity(step.ionic_strength, 'M')}, "
        f"buffer capacity {_quantity(step.buffer_capacity, 'M')} per pH unit"
    )
    down, up = _unit(step.takes_acid), _unit(step.takes_base)
    lines.append(f"  one unit down: {down}; one unit up: {up}")
    if step.budget:
        lines.append(f"  standard uncertainty {step.ph_std:.3f}: {_sources(step)}")
        shown = step.budget if verbose else step.budget[:2]
        parts = ", ".join(f"{item.label} {item.ph:+.3f}" for item in shown)
        lines.append(f"    {'' if verbose else 'mostly '}{parts}")
    if step.titration is not None:
        lines += _titration_lines(step.titration)
    lines += [f"  ! {text}" for text in step.cautions]
    return lines


def plan_text(plans: tuple[BufferPlan, ...], target_ph: float, *, coverage: float = 0.95) -> str:
    """Return a report of the ways to make a buffer, the firmest first."""
    lines = [f"To make pH {target_ph:g}, the firmest first"]
    hazards = dict.fromkeys(text for plan in plans for text in plan.expectation.cautions)
    lines += [f"CAUTION {text}" for text in hazards]
    for number, plan in enumerate(plans, start=1):
        step = plan.step
        lines += [
            "",
            f"{number}. {plan.acid_ml:g} mL of {plan.acid} and {plan.base_ml:g} mL of {plan.base}",
            f"   gives pH {step.ph:.2f} ({step.interval(coverage)}), shortcut {step.ph_ideal:.2f}",
            f"   buffer capacity {_quantity(step.buffer_capacity, 'M')} per pH unit; "
            f"one unit down: {_unit(step.takes_acid)}; one unit up: {_unit(step.takes_base)}",
            f"   standard uncertainty {step.ph_std:.3f}: {_sources(step)}",
        ]
        measured = [item for item in step.budget if item.kind == "measuring"]
        lines += [f"   glassware: {item.label} moves the pH by {abs(item.ph):.4f}" for item in measured]
        lines += [f"   ! {text}" for text in plan.cautions]
    return "\n".join(lines)


def _forms(step: ExpectedStep, *, verbose: bool) -> str:
    """Every form with concentration and amount, the most plentiful first."""
    limit = 0.0 if verbose else _SCARCE_MOLAR
    shown = sorted(step.species_molar.items(), key=lambda item: -item[1])
    texts = [
        f"{display_form(form)} {_quantity(molar, 'M')} ({_quantity(step.species_mol[form], 'mol')})"
        for form, molar in shown
        if molar >= limit
    ]
    return ", ".join(texts)


def _quantity(value: float, unit: str) -> str:
    """Write a quantity with three digits and a prefix."""
    for factor, prefix in _PREFIXES:
        if value >= 0.9995 * factor:
            return f"{value / factor:.3g} {prefix}{unit}"
    return f"{value:.2g} {unit}"


def _signed(millilitres: float) -> str:
    """Write a small volume with its sign, never as minus nothing."""
    return f"{round(millilitres, 2) + 0.0:+.2f} mL"


def _sources(step: ExpectedStep) -> str:
    return ", ".join(f"{kind} {size:.3f}" for kind, size in step.std_by_kind().items())


def _unit(unit: OneUnit) -> str:
    if unit.volume_ml is None or unit.drops is None:
        return f"{unit.solution} never gets it there"
    drops = f"{unit.drops:.0f} drops" if unit.drops >= 10 else f"{unit.drops:.2g} drops"
    return f"{unit.volume_ml:.3g} mL ({drops}) of {unit.solution}"


def _titration_lines(record: TitrationRecord) -> list[str]:
    """Lines of a titration: where it stops, equivalence points, indicators, labels."""
    lines = [
        f"  titration of {record.sample_ml:g} mL {record.sample} with {record.titrant}: "
        f"{record.delivered_ml:.2f} mL ({record.stop}), {_quantity(record.delivered_mol, 'mol')} by its label"
    ]
    for point in record.curve.equivalence_points:
        seen = f"jump of {point.jump_ph:.1f} units within 1 %" if point.visible else "no visible jump"
        lines.append(f"    equivalence at {point.volume_ml:.2f} mL, pH {point.ph:.2f} ({point.what}; {seen})")
    fits = record.fit_indicators()
    several = record.target is not None and len(record.curve.equivalence_points) > 1
    where = f" at {record.target.volume_ml:.2f} mL" if record.target is not None and several else ""
    for verdict, words in (("fits", "indicators that fit"), ("usable", "usable")):
        named = [
            f"{fit.indicator.name} {_signed(fit.error_ml)}"
            for fit in fits
            if fit.verdict == verdict and fit.error_ml is not None
        ]
        if named:
            lines.append(f"    {words}{where} (end point minus equivalence): {', '.join(named)}")
    if record.indicator is not None and record.indicator.error_ml is not None:
        fit, error = record.indicator, record.indicator.error_ml
        verdict = fit.verdict.replace("-", " ")
        what = f" the equivalence{where}" if where else ""
        lines.append(f"    {fit.indicator.name} {verdict}: its end point misses{what} by {_signed(error)}")
    return lines + _label_lines(record)


def _label_lines(record: TitrationRecord) -> list[str]:
    """Say what a used volume implies for the labels."""
    check = record.label_check
    if check is None:
        return []
    if check.matches:
        return [f"    labels agree: {check.used_ml:.2f} mL used, {check.expected_ml:.2f} mL expected"]
    needed = check.expected_ml * record.titrant_molar / 1000.0
    if record.sample_molar is None:
        sample = f"{check.sample_implied:.3g} times what its labels say"
    else:
        sample = _quantity(record.sample_molar * check.sample_implied, "M")
    return [
        f"    labels do not agree: {check.used_ml:.2f} mL used where they call for "
        f"{check.expected_ml:.2f} mL; {_quantity(record.delivered_mol, 'mol')} delivered "
        f"is not {_quantity(needed, 'mol')}",
        f"    one label is off by {abs(check.off_percent):.0f} %: either {record.titrant} holds "
        f"{_quantity(record.titrant_molar * check.titrant_implied, 'M')}, or {record.sample} holds {sample}",
    ]
