"""Standards from photographs: labels, refusals, and a workshop photographed from end to end."""

from __future__ import annotations

import contextlib
import io
import json
import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from test_calibration import shop

from hueph import InputError, load_chart, read_photo, readings_text, write_chart
from hueph.calibration import LeftOut
from hueph.charting import calibrate_picture
from hueph.cli import main
from hueph.estimating.posterior import Posterior
from hueph.report import budget_lines
from hueph.standards import (
    Label,
    LabelledPhoto,
    _check_agreement,
    _numbered,
    calibrate_with_standards,
    load_standards_table,
    parse_standard,
)

PH = ((4.6, 6.0, 7.4, 8.8), (5.3, 6.7, 8.1, 9.4))


@pytest.fixture(scope="module")
def bench(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with card.toml, two photographs of standards and one of samples (pH 5.6, 6.3, 7.7)."""
    folder = tmp_path_factory.mktemp("bench")
    rng = np.random.default_rng(6)
    place = shop.draw_workshop(rng, "four-dye classical")  # type: ignore[attr-defined]
    shop.write_artwork(place, folder / "card.png")  # type: ignore[attr-defined]
    chart = calibrate_picture(folder / "card.png", place.card.ph.tolist(), name="bench card")
    write_chart(chart, folder / "card.toml")
    for name, ph in (("one.jpg", PH[0]), ("two.jpg", PH[1]), ("samples.jpg", (5.6, 6.3, 7.7))):
        scene = shop.draw_picture(place, rng, ph)  # type: ignore[attr-defined]
        shop.write_photo(scene, rng, folder / name)  # type: ignore[attr-defined]
    return folder


@pytest.fixture(scope="module")
def refined(bench: Path) -> Path:
    """The chart refined from the command line with both photographs."""
    said = run(
        "calibrate", "--standard", given(bench / "one.jpg", PH[0]), "--standard", given(bench / "two.jpg", PH[1]),
        "--chart", str(bench / "card.toml"), "-o", str(bench / "refined.toml"),
    )  # fmt: skip
    assert "bench card: 8 standards in 2 photographs, pH 4.6 to 9.4" in said
    assert "Leaving out one photograph at a time" in said
    assert "pH units either way (95 %)" in said
    return bench / "refined.toml"


def given(photo: Path, ph: tuple[float | str, ...]) -> str:
    return f"{photo}={','.join(str(value) for value in ph)}"


def run(*words: str, status: int = 0) -> str:
    """Run hueph and return what it said on both streams."""
    said = io.StringIO()
    with contextlib.redirect_stdout(said), contextlib.redirect_stderr(said):
        assert main(list(words)) == status, said.getvalue()
    return said.getvalue()


# ---------------------------------------------------------------- labels


def test_tubes_are_numbered_left_to_right_and_a_dash_is_no_standard() -> None:
    said = parse_standard("a=b.jpg=4.01,-, 9.18", ph_std=0.05)
    assert said == LabelledPhoto("a=b.jpg", (Label(1, 4.01, 0.05), Label(3, 9.18, 0.05)), 3)


@pytest.mark.parametrize(
    ("text", "problem"),
    [
        ("buffers.jpg", "a standard must be given as PHOTO=4.01,6.86,9.18"),
        ("=4.01", "a standard must be given as PHOTO=4.01,6.86,9.18"),
        ("b.jpg=4.01,,9", "a standard must be given as PHOTO=4.01,6.86,9.18"),
        ("b.jpg=-,-", "at least one tube must have a pH, got '-,-'"),
        ("b.jpg=4.01,14.2", "b.jpg, tube 2: the pH of a standard must lie between 0 and 14, got 14.2"),
        ("b.jpg=-4.01", "b.jpg, tube 1: the pH of a standard must lie between 0 and 14, got -4.01"),
        ("b.jpg=four", "b.jpg, tube 1: the pH of a standard must be a number, got 'four'"),
        ("b.jpg=nan", "the pH of a standard must be a number, got 'nan'"),
    ],
)
def test_a_label_that_cannot_be_meant_is_refused(text: str, problem: str) -> None:
    with pytest.raises(InputError) as caught:
        parse_standard(text)
    assert problem in str(caught.value)


def test_an_uncertainty_is_at_most_a_unit() -> None:
    with pytest.raises(InputError, match="must lie between 0 and 1 pH units, got 2"):
        parse_standard("b.jpg=7", ph_std=2.0)


def test_a_table_names_photographs_beside_it(tmp_path: Path) -> None:
    table = tmp_path / "known.csv"
    table.write_text("photo, tube, ph, uncertainty\nb.jpg,2,6.86,0.01\nb.jpg,1,4.01,\nc.jpg,1,9.18,0.05\n")
    first, second = load_standards_table(table)
    assert first == LabelledPhoto(str(tmp_path / "b.jpg"), (Label(2, 6.86, 0.01), Label(1, 4.01, 0.02)))
    assert second.labels == (Label(1, 9.18, 0.05),)


@pytest.mark.parametrize(
    ("text", "problem"),
    [
        ("photo,ph\nb.jpg,7\n", "the first line must name the columns photo, tube, ph (and uncertainty), found no tube"),
        ("", "found no photo"),
        ("photo,tube,ph\n,1,7\n", "line 2: photo must name a file, found nothing"),
        ("photo,tube,ph\nb.jpg,0,7\n", "line 2: tube must be its number from the left, from 1, got '0'"),
        ("photo,tube,ph\nb.jpg,1,7\nb.jpg,1,8\n", "line 3: tube 1 of b.jpg is listed twice; list each tube once"),
        ("photo,tube,ph\nb.jpg,1,77\n", "line 2: the pH of a standard must lie between 0 and 14, got 77"),
        ("photo,tube,ph\nb.jpg,1\n", "line 2: the pH of a standard must be a number, got ''"),
        ("photo,tube,ph,uncertainty\nb.jpg,1,7,x\n", "line 2: uncertainty must be a number, got 'x'"),
    ],
)  # fmt: skip
def test_a_table_that_breaks_a_rule_is_told_with_its_line(tmp_path: Path, text: str, problem: str) -> None:
    (tmp_path / "known.csv").write_text(text)
    with pytest.raises(InputError) as caught:
        load_standards_table(tmp_path / "known.csv")
    assert problem in str(caught.value)


def test_a_table_that_is_not_there_is_named(tmp_path: Path) -> None:
    with pytest.raises(InputError, match=r"cannot read the standards .*none\.csv: No such file"):
        load_standards_table(tmp_path / "none.csv")
    (tmp_path / "long.csv").write_bytes(b"photo,tube,ph\n" * 100_000)
    with pytest.raises(InputError, match=r"long\.csv as a table of standards: it may hold 1 MB"):
        load_standards_table(tmp_path / "long.csv")


def test_labels_have_to_fit_the_tubes_found() -> None:
    with pytest.raises(InputError, match=r"1 tube was found, 1 of them readable, and 3 labels were given"):
        _numbered(parse_standard("b.jpg=4,7,9"), [""])
    listed = LabelledPhoto("b.jpg", (Label(5, 7.0, 0.02),))
    with pytest.raises(InputError, match=r"tube 5 is listed, but only 4 tubes were found"):
        _numbered(listed, [""] * 4)


def test_what_cannot_be_read_need_not_be_listed() -> None:
    """A reflection taken for a tube is no reason to count wrong."""
    labels = _numbered(parse_standard("b.jpg=4,-,9"), ["", "turbid", "", "", "no-colour"])
    assert [(label.tube, label.ph) for label in labels] == [(1, 4.0), (4, 9.0)]


# ---------------------------------------------------------------- from photographs to readings


def test_readings_with_standards_say_so(bench: Path, refined: Path) -> None:
    readings = read_photo(bench / "samples.jpg", load_chart(refined))
    assert readings.options == {"coverage": 0.95, "standards": 8}
    assert "chart bench card with 8 standards" in readings_text(readings)
    assert "standards-unlike" not in readings.flags
    said = json.loads(run("read", str(bench / "samples.jpg"), "--chart", str(refined), "--json"))
    assert said[0]["options"]["standards"] == 8
    for tube, ph in zip(readings.tubes, (5.6, 6.3, 7.7), strict=True):
        assert tube.interval is not None
        assert tube.interval.contains(ph)


def test_a_standard_read_again_comes_out_nearer_to_its_label(bench: Path, refined: Path) -> None:
    """The strongest case: known tubes in the very picture. Errors over the tubes both ways state."""
    plain, helped = load_chart(bench / "card.toml"), load_chart(refined)
    pairs = []
    for name, labels in zip(("one.jpg", "two.jpg"), PH, strict=True):
        both = (read_photo(bench / name, chart) for chart in (plain, helped))
        pairs += [
            (before.ph - ph, after.ph - ph)
            for before, after, ph in zip(*both, labels, strict=True)
            if before.ph is not None and after.ph is not None
        ]
    before, after = np.array(pairs).T
    assert len(pairs) >= 4
    assert np.sqrt(np.mean(after**2)) < 0.7 * np.sqrt(np.mean(before**2))


def test_standards_are_kept_and_a_photograph_given_again_replaces_its_own(bench: Path, refined: Path) -> None:
    chart = load_chart(refined)
    relabelled = LabelledPhoto(str(bench / "one.jpg"), (Label(2, 6.0, 0.1), Label(3, 7.4, 0.1)))
    report = calibrate_with_standards(chart, [relabelled])
    assert [(one.photo, one.tube, one.ph_std) for one in report.chart.standards] == [
        (1, 1, 0.02), (1, 2, 0.02), (1, 3, 0.02), (1, 4, 0.02), (2, 2, 0.1), (2, 3, 0.1),
    ]  # fmt: skip
    assert [photo.file for photo in report.chart.standard_photos] == ["two.jpg", "one.jpg"]


def test_the_report_in_json(bench: Path) -> None:
    said = json.loads(
        run(
            "calibrate", "--standard", given(bench / "one.jpg", ("-", 6.0, 7.4, "-")), "--json",
            "--chart", str(bench / "card.toml"), "-o", str(bench / "two-standards.toml"),
        )
    )  # fmt: skip
    assert said["left_out_by"] == "standard"
    assert [row["ph"] for row in said["standards"]] == [6.0, 7.4]
    assert said["standards"][0]["tube"] == "tube 2 of one.jpg"
    assert "too few to say" in " ".join(said["summary"])
    assert load_chart(bench / "two-standards.toml").sha256 == said["sha256"]


@pytest.mark.parametrize(
    ("labels", "problem"),
    [
        ((4.6, 6.0, 7.4), "give one pH for each tube, left to right, and - for a tube that is no standard"),
        ((4.6, "-", "-", "-"), "at least 2 tubes of known pH are needed, found 1"),
        ((8.8, 7.4, 6.0, 4.6), "cannot be right: labelled pH"),
        ((4.6, 6.0, 7.4, 13.5), "must lie within 1.5 of the chart's ends, 2.5 to 11.5, tube 4 has 13.5"),
    ],
)
def test_labels_that_do_not_fit_the_picture_are_refused(
    bench: Path, labels: tuple[float | str, ...], problem: str
) -> None:
    output = bench / "never.toml"
    said = run(
        "calibrate", "--standard", given(bench / "one.jpg", labels), "--chart", str(bench / "card.toml"),
        "-o", str(output), status=1,
    )  # fmt: skip
    assert problem in said
    assert not output.exists()


def test_one_picture_under_two_names_is_refused(bench: Path) -> None:
    copy = bench / "copy.jpg"
    copy.write_bytes((bench / "one.jpg").read_bytes())
    chart = load_chart(bench / "card.toml")
    photos = [parse_standard(given(path, ("-", 6.0, 7.4, "-"))) for path in (bench / "one.jpg", copy)]
    with pytest.raises(InputError, match="is the same picture as one before"):
        calibrate_with_standards(chart, photos)


def test_standards_that_contradict_each_other_are_named(bench: Path, refined: Path) -> None:
    """A label off by what the colour alone would let pass, among seven that agree."""
    from hueph.calibration import IndicatorCalibration, known_tubes

    tubes = list(known_tubes(load_chart(refined)))
    _check_agreement(IndicatorCalibration().fit(tubes).left_out(whole_photos=False))
    rows = list(IndicatorCalibration().fit(tubes).left_out(whole_photos=False))
    grid = rows[1].refined.grid
    sharp = Posterior(grid, np.exp(-0.5 * ((grid - 6.0) / 0.05) ** 2) / 0.125, 5.0, 4.0, 10.0)
    rows[1] = LeftOut(replace(rows[1].tube, ph=6.6), rows[1].alone, sharp, 4.0, 1.0)
    with pytest.raises(InputError, match=r"contradict each other: tube 2 of one.jpg is labelled pH 6.6, but"):
        _check_agreement(tuple(rows))


def test_a_picture_by_another_phone_is_flagged(bench: Path, refined: Path) -> None:
    chart = load_chart(refined)
    faded = tuple(
        replace(photo, sha256="", patches=tuple(tuple(c**0.7 for c in colour) for colour in photo.patches))
        for photo in chart.standard_photos
    )
    other = replace(chart, standard_photos=faded)  # type: ignore[arg-type]
    assert "standards-unlike" in read_photo(bench / "samples.jpg", other).flags


def test_the_budget_has_a_row_for_the_standards(bench: Path, refined: Path) -> None:
    photo = bench / "samples.jpg"
    plain = read_photo(photo, load_chart(bench / "card.toml"), budget=True)
    helped = read_photo(photo, load_chart(refined), budget=True)
    stated = [reading for reading in helped if reading.ph is not None]
    assert stated
    for reading in stated:
        assert 0.0 < reading.budget["standards"] < reading.ph_std
        whole = math.hypot(*reading.budget.values())
        # Squares add up to the reading's own, unless the moves alone are larger.
        assert whole == pytest.approx(reading.ph_std) or reading.budget["card-to-liquid"] == 0.0
        assert f"standards {reading.budget['standards']:.2f}" in budget_lines(reading)[0]
    assert not any("standards" in reading.budget for reading in plain)


# ---------------------------------------------------------------- the command


@pytest.mark.parametrize(
    ("words", "problem"),
    [
        (("--standard", "b.jpg=4,7", "-o", "r.toml"), "calibrating with standards needs --chart CHART and -o REFINED"),
        (("--standard", "b.jpg=4,7", "--chart", "c.toml"), "needs --chart CHART and -o REFINED"),
        (("x.jpg", "--standard", "b.jpg=4,7"), "standards refine a chart that is there: leave out IMAGE"),
        (("--standard", "b.jpg"), "a standard must be given as PHOTO=4.01,6.86,9.18"),
        (("x.jpg", "--ph", "4:10:1", "-o", "c.toml", "--chart", "c.toml"), "go with --standard or --standards"),
        (("--ph", "4:10:1", "-o", "c.toml"), "Missing argument 'IMAGE...'"),
    ],
)  # fmt: skip
def test_wrong_usage_is_told(words: tuple[str, ...], problem: str) -> None:
    assert problem in run("calibrate", *words, status=2)
