"""`hueph card`: a printable reference card."""

from __future__ import annotations

import json

import click

from hueph.cli import verbose_option
from hueph.cli._options import json_option
from hueph.cli._outputs import check_outputs

__all__ = ["card"]

_SEEN = 2.0  # CIEDE2000; about what is seen beside each other (common practice, no source)


@click.command(short_help="Draw a printable reference card.")
@click.option("--chart", required=True, metavar="CHART", help="Chart file, or the name of a shipped chart.")
@click.option("-o", "--output", required=True, metavar="FILE", help="Card to write: .pdf, .png or .svg.")
@click.option(
    "--paper",
    type=click.Choice(["A4", "Letter"], case_sensitive=False),
    default="A4",
    show_default=True,
    help="Size of the sheet, printed landscape.",
)
@click.option("--card-chart", metavar="FILE", help="Also write the chart file of the printed card (TOML).")
@click.option("--force", is_flag=True, help="Replace files that exist.")
@json_option
@verbose_option
def card(chart: str, output: str, paper: str, card_chart: str | None, force: bool, as_json: bool) -> None:
    """Draw a reference card with the patches of a chart, to print and to stand tubes before.

    Corner markers, greys and saturated colours let hueph find the card and correct the light. Print at
    100 %, check the 100 mm line, then learn what the printer made of the colours:

    \b
    hueph card --chart chart.toml -o card.pdf --card-chart card.toml
    hueph calibrate scan-of-card.png --card card.toml -o printed.toml
    """
    from hueph.cards import write_card
    from hueph.cards.inks import beyond_srgb
    from hueph.chart import load_chart
    from hueph.shipped import find_chart

    file = find_chart(chart)
    check_outputs([("-o", output), ("--card-chart", card_chart)], [str(file)])
    drawn = load_chart(file)
    made = write_card(drawn, output, paper=paper, chart_path=card_chart, force=force)
    if as_json:
        click.echo(
            json.dumps({"file": output, "card_chart": card_chart, "name": made.name, "sha256": made.sha256})
        )
        return
    click.echo(
        f"wrote {output}: {made.name}, {len(made.patches)} patches, {len(made.references)} reference colours"
    )
    if card_chart:
        click.echo(f"wrote {card_chart}")
    off = beyond_srgb(drawn, made)
    if off.max() >= _SEEN:
        named = ", ".join(f"{value:g}" for value in made.ph[off >= _SEEN])
        click.echo(
            f"pH {named}: more vivid than sRGB holds on white paper; drawn as near as it allows, up to "
            f"{off.max():.1f} CIEDE2000 off. The card's own chart file says what was drawn."
        )
