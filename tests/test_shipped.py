"""Charts found by path and by name."""

from __future__ import annotations

from pathlib import Path

import pytest

from hueph.errors import ChartError
from hueph.shipped import find_chart, shipped_charts


def test_every_shipped_chart_loads() -> None:
    from hueph.chart import load_chart

    charts = shipped_charts()
    assert charts
    for name, file in charts.items():
        chart = load_chart(file)
        assert len(chart.patches) >= 3, name
        assert not chart.edited, f"{file} was changed after hueph wrote it"


def test_a_path_a_folder_and_a_name_find_the_same_chart(monkeypatch: pytest.MonkeyPatch) -> None:
    name, file = next(iter(shipped_charts().items()))
    assert find_chart(file) == find_chart(file.parent) == find_chart(name) == file


def test_a_file_of_ones_own_goes_before_a_shipped_chart_of_that_name(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    name = next(iter(shipped_charts()))
    (tmp_path / name).write_text("mine")
    monkeypatch.chdir(tmp_path)
    assert find_chart(name) == Path(name)


def test_a_misspelt_name_gets_the_nearest_one() -> None:
    name = next(iter(shipped_charts()))
    with pytest.raises(ChartError, match=f"cannot find the chart {name}x: .*did you mean {name}\\?"):
        find_chart(name + "x")


def test_an_unknown_name_lists_what_there_is() -> None:
    with pytest.raises(ChartError, match="shipped charts: " + ", ".join(shipped_charts())):
        find_chart("zzzzzzzz.toml")
