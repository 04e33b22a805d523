"""Printable reference cards of our own layout."""

from __future__ import annotations

from hueph._types import PathLike
from hueph.cards.layout import PAPERS, CardPlan, plan_card
from hueph.cards.write import FORMATS, page_bytes
from hueph.chart import Chart, write_chart
from hueph.charting.files import check_free, write_bytes

__all__ = ["FORMATS", "PAPERS", "CardPlan", "plan_card", "write_card"]


def write_card(
    chart: Chart,
    path: PathLike,
    *,
    paper: str = "A4",
    chart_path: PathLike | None = None,
    force: bool = False,
) -> Chart:
    """Draw a printable reference card with the patches of a chart.

    Parameters
    ----------
    chart : Chart
        Whose patches are printed.
    path : path
        Ends in .pdf, .png or .svg.
    paper : str
        "A4" or "Letter", landscape.
    chart_path : path, optional
        Where to write the chart file of the printed card (markers, greys, positions in mm).
    force : bool
        Replace files that exist.

    Returns
    -------
    Chart
        The chart of the printed card: colours as sent to the printer, not measured.

    Raises
    ------
    ChartError
        Unknown ending, a file exists and `force` is not given, or writing fails.
    InputError
        Unknown paper, or more patches than the card holds.
    MissingDependency
        PDF without the package that writes it.

    Examples
    --------
    >>> write_card(load_chart("chart.toml"), "card.pdf", chart_path="card.toml")  # doctest: +SKIP
    Chart(...)
    """
    plan = plan_card(chart, paper=paper)
    data = page_bytes(plan.page, path)
    for file in (path, chart_path):
        if file is not None:
            check_free(file, force=force)
    write_bytes(path, data, force=force)
    return plan.chart if chart_path is None else write_chart(plan.chart, chart_path, force=force)
