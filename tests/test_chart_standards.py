"""Chart files that hold standards: there and back, and what is refused, by line."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest
from test_chart import line_of, refusal, small_chart, swapped

from hueph import ChartError, load_chart, write_chart
from hueph.chart import Chart, Standard, StandardPhoto


def chart_with_standards() -> Chart:
    """A small chart, one photograph, two tubes; the second without empty glass."""
    photo = StandardPhoto(
        file="buffers.jpg",
        sha256="ab" * 32,
        to_linear_srgb=(1.0, 0.0, 0.0, 0.0, 1.0, 0.0, 0.0, 0.0, 1.0),
        paper_level=0.81,
        patch_ph=(4.0, 5.5, 7.0),
        patches=((0.7, 0.3, 0.1), (0.8, 0.7, 0.2), (0.2, 0.5, 0.4)),
    )
    first = Standard(
        photo=1,
        tube=1,
        at=(310.0, 700.5),
        ph=4.01,
        ph_std=0.02,
        liquid=(0.71, 0.31, 0.12),
        backing=(0.8, 0.79, 0.8),
        glass=(0.95, 0.95, 0.96),
        noise=0.004,
        dark=(0.0, 0.0, 0.0),
        bright=(0.0, 0.0, 0.0),
    )
    second = replace(first, tube=3, at=(800.0, 700.0), ph=6.86, glass=None)
    return replace(small_chart(), standard_photos=(photo,), standards=(first, second))


@pytest.fixture
def text(tmp_path: Path) -> str:
    write_chart(chart_with_standards(), tmp_path / "whole.toml")
    return (tmp_path / "whole.toml").read_text(encoding="utf-8")


def test_standards_come_back_as_they_were_written(tmp_path: Path) -> None:
    written = write_chart(chart_with_standards(), tmp_path / "c.toml")
    read = load_chart(tmp_path / "c.toml")
    assert read == written
    assert read.standards == chart_with_standards().standards
    assert read.standard_photos == chart_with_standards().standard_photos
    assert not read.edited


def test_a_chart_without_standards_keeps_its_hash(tmp_path: Path) -> None:
    """The tables are left out of the content that is hashed, so older files still state their hash."""
    write_chart(small_chart(), tmp_path / "c.toml")
    assert "[[standard" not in (tmp_path / "c.toml").read_text(encoding="utf-8")
    assert (
        load_chart(tmp_path / "c.toml").sha256
        != write_chart(chart_with_standards(), tmp_path / "d.toml").sha256
    )


def test_a_label_changed_by_hand_changes_the_hash(tmp_path: Path, text: str) -> None:
    (tmp_path / "edited.toml").write_text(swapped(text, "ph = 6.86", "ph = 6.87"), encoding="utf-8")
    chart = load_chart(tmp_path / "edited.toml")
    assert chart.edited
    assert chart.standards[1].ph == 6.87


@pytest.mark.parametrize(
    ("start", "count", "new", "problem"),
    [
        (
            "photo = ",
            2,
            "photo = 2",
            "`photo` of standard 2 must be the number of a [[standard_photo]], 1 to 1",
        ),
        ("photo = ", 1, "photo = 0", "`photo` of standard 1 must be a whole number from 1, got 0"),
        ("tube = ", 1, "tube = 1.5", "`tube` of standard 1 must be a whole number from 1, got 1.5"),
        ("ph = 4.01", 1, "ph = 40.1", "`ph` must lie between -2 and 16, got 40.1"),
        ("ph_std = ", 1, "ph_std = -0.02", "`ph_std` of standard 1 must be 0 or more, got -0.02"),
        ("ph_std = ", 2, 'ph_std = "small"', "`ph_std` of standard 2 must be a number, got 'small'"),
        ("liquid = ", 1, "liquid = [0.7, 0.3]", "`liquid` of standard 1 must be 3 numbers in brackets"),
        ("liquid = ", 2, "liquid = [0.7, -0.3, 0.1]", "`liquid` of standard 2 must be three shares of light"),
        ("backing = ", 1, "backing = [80, 79, 80]", "must be three shares of light from 0 to 4"),
        ("at = ", 1, "at = [310.0]", "`at` of standard 1 must be 2 numbers in brackets"),
        ("patch_ph = ", 1, "patch_ph = [4.0, 5.5]", "must be at least 3 rising values"),
        (
            "patch_ph = ",
            1,
            "patch_ph = [4.0, 5.0, 7.0]",
            "must hold pH values of the chart's patches, found 5;",
        ),
        ("patches = ", 1, "patches = [[0.7, 0.3, 0.1]]", "one colour for each of the 3 values"),
        ("to_linear_srgb = ", 1, "to_linear_srgb = [1, 0]", "must be 9 numbers, row by row, got 2"),
        ("to_linear_srgb = ", 1, "to_linear_srgb = 7", "must be numbers in brackets"),
        ("file = ", 1, "file = 3", "`file` of standard_photo 1 must be text in quotes, got 3"),
        ("noise = ", 2, "nose = 0.1", "unknown key `nose`; did you mean `noise`?"),
    ],
)
def test_a_broken_rule_is_told_with_its_line(
    tmp_path: Path, text: str, start: str, count: int, new: str, problem: str
) -> None:
    message = refusal(tmp_path, swapped(text, start, new, count))
    assert message.startswith(f"chart.toml, line {line_of(text, start, count)}: ")
    assert problem in message


def test_a_value_left_out_is_asked_for(tmp_path: Path, text: str) -> None:
    message = refusal(tmp_path, swapped(text, "liquid = ", ""))
    assert message.startswith(f"chart.toml, line {line_of(text, '[[standard]]')}: standard 1 has no `liquid`")


def test_a_chart_that_breaks_a_rule_is_not_written(tmp_path: Path) -> None:
    chart = chart_with_standards()
    wrong = replace(chart, standards=(replace(chart.standards[0], photo=5),))
    with pytest.raises(ChartError, match="must be the number of a"):
        write_chart(wrong, tmp_path / "c.toml")
    assert not (tmp_path / "c.toml").exists()
