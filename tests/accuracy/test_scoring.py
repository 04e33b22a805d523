"""The scoring itself, on cases whose answer is plain from the geometry or the published tables."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
import tables
from scoring import exact_limits, match, overlap, score_photo, summarise

from hueph.interval import Interval
from hueph.results import PatchReading, PhotoReadings, Reading


def square(left: float, top: float, side: float = 10.0) -> list[list[float]]:
    return [[left, top], [left + side, top], [left + side, top + side], [left, top + side]]


def scene(tubes: list[dict[str, Any]]) -> dict[str, Any]:
    return {
        "kind": "sheet",
        "indicator": "any",
        "chart": "any",
        "size": [200, 100],
        "chart_ph": [4.0, 5.0, 6.0],
        "patches": [square(0, 0), square(10, 0), square(20, 0)],
        "tubes": tubes,
    }


def tube(left: float, ph: float | None, what: str = "sample") -> dict[str, Any]:
    return {"ph": ph, "what": what, "drops": 4.0, "ml": 4.0, "liquid": square(left, 50)}


@pytest.fixture
def answer(make_readings: Callable[..., PhotoReadings]) -> Callable[..., PhotoReadings]:
    def make(
        tubes: tuple[Reading, ...], order: tuple[int, ...] = (0, 1, 2), zoom: float = 1.0
    ) -> PhotoReadings:
        corners = [tuple((zoom * x, zoom * y) for x, y in square(10 * place, 0)) for place in order]
        patches = tuple(PatchReading(4.0 + i, points) for i, points in enumerate(corners))
        return make_readings(width=200 * zoom, height=100 * zoom, patches=patches, tubes=tubes)

    return make


def at(make_reading: Callable[..., Reading], left: float, **changes: Any) -> Reading:
    return make_reading(liquid=tuple(map(tuple, square(left, 50))), **changes)


def test_overlap_of_squares() -> None:
    assert overlap(square(0, 0), square(0, 0)) == pytest.approx(1.0)
    assert overlap(square(0, 0), square(5, 0)) == pytest.approx(50 / 150)
    assert overlap(square(0, 0), square(50, 0)) == 0.0
    assert overlap(square(0, 0), square(2, 2, 5)) == pytest.approx(25 / 100)


def test_each_outline_is_used_once_and_the_best_pair_goes_first() -> None:
    assert match([square(0, 0), square(3, 0)], [square(2, 0)]) == {1: (0, pytest.approx(9 / 11))}
    assert match([square(0, 0)], [square(6, 0)]) == {}


# Exact 95 % limits of x of n, from the table of the cited paper's method as printed in textbooks; here
# from the closed form for 0 and n hits: 1 - 0.025 ** (1 / n), and for 1 of 2 from 1 - sqrt(1 - 0.025).
@pytest.mark.parametrize(
    ("hits", "total", "low", "high"),
    [
        (0, 10, 0.0, 1 - 0.025 ** (1 / 10)),
        (10, 10, 0.025 ** (1 / 10), 1.0),
        (1, 2, 1 - 0.975**0.5, 0.975**0.5),
    ],
)
def test_exact_limits(hits: int, total: int, low: float, high: float) -> None:
    assert exact_limits(hits, total) == (pytest.approx(low), pytest.approx(high))


def test_photo_at_another_scale_scores_the_same(
    answer: Callable[..., PhotoReadings], make_reading: Callable[..., Reading]
) -> None:
    doubled = make_reading(liquid=tuple((2 * x, 2 * y) for x, y in square(100, 50)))
    score = score_photo(scene([tube(100, 6.0)]), "a", answer((doubled,), zoom=2.0), 0.1)
    assert (score.strip, score.corner_px) == ("right", 0.0)
    assert score.tubes[0].overlap == pytest.approx(1.0)
    assert score.tubes[0].error == pytest.approx(0.2)


@pytest.mark.parametrize(
    ("order", "said"), [((0, 1, 2), "right"), ((2, 1, 0), "wrong"), ((1, 2, 3), "wrong")]
)
def test_strip_order(answer: Callable[..., PhotoReadings], order: tuple[int, ...], said: str) -> None:
    assert score_photo(scene([]), "a", answer((), order), 0.1).strip == said


def test_missing_strip_and_photo_in_error(make_readings: Callable[..., PhotoReadings]) -> None:
    failed = make_readings(width=0, height=0, patches=(), tubes=(), error=("PhotoError", "broken"))
    score = score_photo(scene([tube(100, 6.0)]), "a", failed, 0.1)
    assert (score.strip, score.error) == ("missing", "PhotoError: broken")
    assert score.tubes[0].reading is None


def test_summary_counts_each_kind_of_answer(
    answer: Callable[..., PhotoReadings], make_reading: Callable[..., Reading]
) -> None:
    nothing: dict[str, Any] = {"ph": None, "interval": None}
    upward: dict[str, Any] = {"ph": None, "interval": Interval(5.7, None, 0.95), "bound": "above"}
    truth = [
        tube(30, 6.0),  # stated 6.2 in 5.9 to 6.5: covered
        tube(50, 5.7),  # stated 6.2: outside
        tube(70, 5.0),  # refused
        tube(90, 7.0),  # beyond the card, answered one-sided
        tube(110, 7.0),  # beyond the card, answered as inside
        tube(130, 5.9),  # inside, answered one-sided
        tube(150, None, "water"),  # rightly refused
        tube(170, None, "food dye"),  # wrongly given a pH
        tube(185, 6.0),  # not found
    ]
    said = (
        at(make_reading, 30),
        at(make_reading, 50),
        at(make_reading, 70, **nothing),
        at(make_reading, 90, **upward),
        at(make_reading, 110),
        at(make_reading, 130, **upward),
        at(make_reading, 150, **nothing),
        at(make_reading, 170),
        at(make_reading, 0),  # false
    )
    score = score_photo(scene(truth), "a", answer(said), 0.1)
    assert len(score.false_tubes) == 1
    found = summarise(score.tubes)
    assert (found.tubes, found.located, found.stated) == (9, 8, 3)
    assert found.rmse == pytest.approx(((0.2**2 + 0.5**2 + 0.8**2) / 3) ** 0.5)
    assert found.rmse_on_card == pytest.approx(((0.2**2 + 0.5**2) / 2) ** 0.5)
    assert found.median_error == pytest.approx(0.5)
    assert found.bias == pytest.approx((0.2 + 0.5 - 0.8) / 3)
    assert (found.hits, found.ranges) == (3, 5)
    assert found.width == pytest.approx(0.6)
    assert (found.beyond, found.beyond_one_sided, found.inside_one_sided) == (2, 1, 1)
    assert (found.refused_samples, found.other, found.other_stated) == (1, 2, 1)


def test_table_is_put_between_its_markers(tmp_path: Path) -> None:
    document = tmp_path / "d.md"
    document.write_text("a\n<!-- t: begin -->\nold\n<!-- t: end -->\nz\n")
    tables.put_between(document, "t", tables.markdown(("x", "yy"), [("1", "2")]))
    assert document.read_text() == (
        "a\n<!-- t: begin -->\n| x | yy |\n|---|----|\n| 1 | 2  |\n<!-- t: end -->\nz\n"
    )
    with pytest.raises(ValueError, match="has no lines <!-- u: begin -->"):
        tables.put_between(document, "u", "")
