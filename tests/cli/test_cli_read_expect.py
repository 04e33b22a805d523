"""`hueph read --expect`, the reading itself replaced: text, JSON, table, overlay and exit status."""

from __future__ import annotations

import csv
import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from PIL import Image

import hueph.reading
from hueph.cli import main
from hueph.overlay import draw_overlay
from hueph.photo import Photo
from hueph.results import PhotoReadings
from hueph.shipped import shipped_charts

CHART = next(iter(shipped_charts()))
# Phosphate near 6.9, water under air at 5.6, 1 mM acid at 3.0, and a refused tube.
RECIPE = """
[solutions]
acid = "1 mM HCl"
phosphate = "25 mM KH2PO4 + 25 mM Na2HPO4"

[steps]
standard = "take 5 mL of phosphate"
still = "take 5 mL of boiled distilled water"
sour = "take 5 mL of acid"
"""
ASKED = [
    f"recipe.toml:{step}={tube}" for step, tube in (("still", 1), ("standard", 2), ("sour", 3), ("sour", 4))
]

MakeReadings = Callable[..., PhotoReadings]


@pytest.fixture
def bench(monkeypatch: pytest.MonkeyPatch, make_readings: MakeReadings, tmp_path: Path) -> Path:
    """A folder with a recipe; every photograph reads 6.2, 6.2 (glare), 4.3 or lower, and a refusal."""

    def stand_in(path: Any, chart: Any, **options: Any) -> PhotoReadings:
        return make_readings(path if isinstance(path, str) else path.file)

    monkeypatch.setattr(hueph.reading, "read_photo", stand_in)
    monkeypatch.chdir(tmp_path)
    (tmp_path / "recipe.toml").write_text(RECIPE, encoding="utf-8")
    return tmp_path


def run(*words: str, asked: list[str] | None = None) -> int:
    options = [word for one in (ASKED if asked is None else asked) for word in ("--expect", one)]
    return main(["read", "a.jpg", "--chart", CHART, *options, *words])


def test_text_says_verdict_amount_and_causes_below_each_tube(
    bench: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run() == 0
    lines = capsys.readouterr().out.splitlines()
    assert lines[1:5] == [
        "  tube 1  pH 6.2 (5.9 to 6.5, 95 %)",
        "    expected 6.97 (6.94 to 6.99, 95 %; still of recipe.toml): reads lower by 0.8 (0.5 to 1.1)",
        "      perhaps carbon dioxide of the air (unboiled water, or left standing), down to pH 5.6",
        "      perhaps the indicator's own drops, the dye being a weak acid itself (here as an acid), down to pH 4.0",
    ]
    tube_2 = lines.index("  tube 2  pH 6.2 (5.9 to 6.5, 95 %)  [glare]")
    # 0.025 + 0.025 mol/kg phosphate is a primary standard, 6.865 at 25 °C: within what Davies allows.
    assert lines[tube_2 + 1].startswith(
        "    expected 6.88 (6.81 to 6.94, 95 %; standard of recipe.toml): reads lower"
    )
    assert lines[tube_2 + 2].startswith("      perhaps the photograph, not the liquid: reflections cover")
    tube_3 = lines.index("  tube 3  pH 4.3 or lower, 95 %  [beyond-chart]")
    assert lines[tube_3 + 1].endswith("agrees, as far as this card goes (4.3 or lower)")
    tube_4 = lines.index("  tube 4  no reading: off-chart-colour, turbid")
    assert lines[tube_4 + 1].endswith("cannot be compared, no reading: off-chart-colour, turbid")


def test_json_keeps_its_keys_and_gains_one(bench: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run("--json", asked=[]) == 0
    (before,) = json.loads(capsys.readouterr().out)
    assert run("--json", asked=[*ASKED[:3], "recipe.toml:sour=9"]) == 0
    (after,) = json.loads(capsys.readouterr().out)
    expected = [tube.pop("expected", None) for tube in after["tubes"]]
    (missing,) = after.pop("expected_unmatched")
    assert after == before
    assert [one and one["verdict"] for one in expected] == ["lower", "lower", "agree", None]
    assert expected[0]["difference"] == pytest.approx(6.2 - 6.97, abs=0.01)
    assert expected[2]["difference_range"][0] is None
    assert (missing["tube"], missing["verdict"], missing["step"]) == (9, "cannot-compare", "sour")


def test_table_has_columns_of_its_own(bench: Path) -> None:
    assert run("--csv", "out.csv", asked=[*ASKED[:1], "recipe.toml:sour=9"]) == 0
    with (bench / "out.csv").open(encoding="utf-8", newline="") as stream:
        rows = list(csv.DictReader(stream))
    assert [row["tube"] for row in rows] == ["1", "2", "3", "4", "9"]
    assert [row["verdict"] for row in rows] == ["lower", "", "", "", "cannot-compare"]
    first = rows[0]
    assert (first["expected_step"], first["expected_source"]) == ("still", "recipe.toml")
    assert float(first["difference_low"]) < float(first["difference"]) < float(first["difference_high"]) < 0.0
    assert "carbon dioxide of the air" in first["causes"]
    assert rows[1]["causes"] == ""


@pytest.mark.parametrize(
    ("asked", "status"),
    [
        (["take 5 mL of 25 mM KH2PO4 + 5 mM Na2HPO4=1"], 0),
        (["recipe.toml:standard=1"], 3),
        (["take 5 mL of 25 mM KH2PO4 + 5 mM Na2HPO4=1,7"], 3),
    ],
    ids=["agrees", "differs", "not found"],
)
def test_strict_wants_every_tube_as_its_recipe_says(
    bench: Path, monkeypatch: pytest.MonkeyPatch, make_readings: MakeReadings, asked: list[str], status: int
) -> None:
    clean = make_readings().tubes[:1]
    monkeypatch.setattr(hueph.reading, "read_photo", lambda path, *_, **__: make_readings(path, tubes=clean))
    assert run(asked=asked) == 0
    assert run("--strict", asked=asked) == status


@pytest.mark.parametrize("text", ["recipe.toml", "recipe.toml:still=first", "=1"])
def test_words_that_mean_nothing_are_wrong_usage(
    bench: Path, capsys: pytest.CaptureFixture[str], text: str
) -> None:
    assert run(asked=[text]) == 2
    captured = capsys.readouterr()
    assert captured.out == ""
    assert "what to expect is written RECIPE:STEP=TUBE" in " ".join(captured.err.split())


@pytest.mark.parametrize(
    ("text", "sentence"),
    [
        ("recipe.toml:stil=1", "recipe.toml has no step called 'stil'; it has standard, still, sour"),
        (
            "other.toml:still=1",
            "reading other.toml: the file cannot be opened: No such file or directory; "
            "check the name and the folder",
        ),
        (
            "recipe.toml:still=b.jpg#1",
            "what to expect names the photograph b.jpg, which is not among those to read: a.jpg",
        ),
    ],
)
def test_what_cannot_be_expected_is_one_sentence_before_anything_is_read(
    bench: Path, capsys: pytest.CaptureFixture[str], text: str, sentence: str
) -> None:
    assert run(asked=[text]) == 1
    captured = capsys.readouterr()
    assert (captured.out, captured.err) == ("", f"error: {sentence}\n")
    assert run("--json", asked=[text]) == 1
    (photo,) = json.loads(capsys.readouterr().out)
    assert photo["error"]["message"] == sentence


def test_the_mark_on_the_axis_is_seen_in_grey(make_readings: MakeReadings) -> None:
    from hueph.expecting import ExpectedTube, TubeExpectation, attach_expected

    picture = Photo(
        file="a.jpg",
        sha256="",
        width=1000,
        height=480,
        encoded=np.full((480, 1000, 3), 200, dtype=np.uint8),
        scale=1.0,
        profile="sRGB",
        to_linear_srgb=np.eye(3),
        decode_table=np.zeros(256),
    )
    plain = make_readings()

    def grey(ph: float) -> np.ndarray:
        marked = attach_expected(plain, [ExpectedTube(1, TubeExpectation("s", "r.toml", ph, 0.1))])
        drawn = np.asarray(Image.fromarray(draw_overlay(picture, marked)).convert("L"), dtype=float)
        return drawn[480:]

    def first_row(panel: np.ndarray) -> np.ndarray:
        # The head's two lines of text, then the first tube's row, right of its text.
        return panel[95:220, 570:990]

    low, high = first_row(grey(4.5)), first_row(grey(6.9))
    changed = np.abs(low - high) > 80.0
    assert changed.sum() > 150
    # One mark left of the other, as far apart as 2.4 of the axis' 4.5 units of pH.
    columns = np.flatnonzero(changed.any(axis=0))
    assert columns.max() - columns.min() > 0.4 * low.shape[1]
    beyond = first_row(grey(13.0))
    assert (np.abs(beyond[:, -60:] - low[:, -60:]) > 80.0).sum() > 20


def test_what_is_recorded_holds_the_comparison(bench: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    import hueph.photo
    from hueph.batch import read_photos
    from hueph.expecting import expect_tubes

    class Loaded:
        file = "a.jpg"

    kept: list[PhotoReadings] = []
    monkeypatch.setattr(hueph.photo, "load_photo", lambda path: Loaded())
    expected = expect_tubes([ASKED[0]])
    list(
        read_photos(
            ["a.jpg"],
            CHART,
            expected=expected,
            keep=lambda photo, readings, chart, **_: kept.append(readings),
        )
    )
    assert kept[0].to_dict()["tubes"][0]["expected"]["verdict"] == "lower"
