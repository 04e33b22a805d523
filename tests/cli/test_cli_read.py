"""`hueph read` with the reading itself replaced: what it prints, writes and returns."""

from __future__ import annotations

import csv
import json
import os
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

import hueph.reading
from hueph.cli import main
from hueph.errors import PhotoError
from hueph.report import NOTICE, readings_text
from hueph.results import PhotoReadings
from hueph.shipped import shipped_charts

CHART = next(iter(shipped_charts()))


class Reader:
    """Stands for `read_photo`; keeps what it was asked."""

    def __init__(self, make: Callable[..., PhotoReadings]) -> None:
        self.make = make
        self.asked: list[dict[str, Any]] = []
        self.changes: dict[str, Any] = {}

    def __call__(self, path: str, chart: Any, **options: Any) -> PhotoReadings:
        self.asked.append({"path": path, "chart": chart.name} | options)
        if "bad" in path:
            raise PhotoError(f"cannot read {path} as a photograph: it is empty; take it again")
        return self.make(path, **self.changes)


@pytest.fixture
def reader(
    monkeypatch: pytest.MonkeyPatch, make_readings: Callable[..., PhotoReadings], tmp_path: Path
) -> Reader:
    """Replace the reading, and work in a folder of one's own."""
    stand_in = Reader(make_readings)
    monkeypatch.setattr(hueph.reading, "read_photo", stand_in, raising=False)
    monkeypatch.chdir(tmp_path)
    return stand_in


def test_text_for_people_ends_with_the_notice(
    reader: Reader, make_readings: Callable[..., PhotoReadings], capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["read", "a.jpg", "b.jpg", "--chart", CHART]) == 0
    captured = capsys.readouterr()
    texts = [readings_text(make_readings(name)) for name in ("a.jpg", "b.jpg")]
    assert captured.out == f"{texts[0]}\n\n{texts[1]}\n\n{NOTICE}\n"
    assert captured.err == ""


def test_options_reach_the_reading(reader: Reader) -> None:
    words = [
        "--coverage",
        "0.9",
        "--tube",
        "1,2,30,40",
        "--tube",
        "5,6.5,30,40",
        "--strip",
        "0,0,9,0,9,3,0,3",
    ]
    assert main(["read", "a.jpg", "--chart", CHART, *words]) == 0
    (asked,) = reader.asked
    assert asked["path"] == "a.jpg"
    assert asked["coverage"] == 0.9
    assert asked["tubes"] == ((1, 2, 30, 40), (5, 6.5, 30, 40))
    assert asked["strip"] == (0, 0, 9, 0, 9, 3, 0, 3)


def test_json_is_one_array_with_an_object_a_photograph(
    reader: Reader, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["read", "a.jpg", "bad.jpg", "b.jpg", "--chart", CHART, "--json"]) == 1
    captured = capsys.readouterr()
    photos = json.loads(captured.out)
    sentence = "cannot read bad.jpg as a photograph: it is empty; take it again"
    assert [photo["photo"]["file"] for photo in photos] == ["a.jpg", "bad.jpg", "b.jpg"]
    assert [photo["error"] for photo in photos] == [None, {"type": "PhotoError", "message": sentence}, None]
    assert photos[1]["tubes"] == []
    assert set(photos[1]) >= {"photo", "chart", "strip", "tubes", "error"}
    assert captured.err == f"error: {sentence}\n"


def test_one_bad_photograph_is_said_on_standard_error_and_the_rest_is_read(
    reader: Reader, make_readings: Callable[..., PhotoReadings], capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["read", "bad.jpg", "b.jpg", "--chart", CHART]) == 1
    captured = capsys.readouterr()
    assert captured.err == "error: cannot read bad.jpg as a photograph: it is empty; take it again\n"
    assert readings_text(make_readings("b.jpg")) in captured.out


def test_wrong_chart_is_an_error_of_every_photograph_in_json(
    reader: Reader, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["read", "a.jpg", "b.jpg", "--chart", "no such chart", "--json"]) == 1
    captured = capsys.readouterr()
    photos = json.loads(captured.out)
    assert [photo["photo"]["file"] for photo in photos] == ["a.jpg", "b.jpg"]
    assert {photo["error"]["type"] for photo in photos} == {"ChartError"}
    assert captured.err.startswith("error: cannot find the chart no such chart: ")
    assert reader.asked == []


def test_wrong_chart_is_one_sentence_in_text(reader: Reader, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["read", "a.jpg", "b.jpg", "--chart", "no such chart"]) == 1
    captured = capsys.readouterr()
    assert captured.out == ""
    assert captured.err.count("error: ") == 1


@pytest.mark.parametrize(
    ("changes", "status"),
    [
        ({}, 3),
        ({"tubes": ()}, 0),
        ({"tubes": (), "flags": ("profile-missing",)}, 3),
    ],
    ids=["a tube is flagged", "nothing is flagged", "the picture is flagged"],
)
def test_strict_tells_flagged_from_clean(reader: Reader, changes: dict[str, Any], status: int) -> None:
    reader.changes = changes
    assert main(["read", "a.jpg", "--chart", CHART]) == 0
    assert main(["read", "a.jpg", "--chart", CHART, "--strict"]) == status


def test_failing_goes_before_flagged(reader: Reader) -> None:
    assert main(["read", "a.jpg", "bad.jpg", "--chart", CHART, "--strict"]) == 1


def test_csv_has_a_row_a_tube(reader: Reader, tmp_path: Path) -> None:
    assert main(["read", "a.jpg", "bad.jpg", "--chart", CHART, "--csv", "out.csv"]) == 1
    with (tmp_path / "out.csv").open(encoding="utf-8", newline="") as stream:
        rows = list(csv.DictReader(stream))
    assert [(row["file"], row["tube"]) for row in rows] == [
        ("a.jpg", "1"),
        ("a.jpg", "2"),
        ("a.jpg", "3"),
        ("a.jpg", "4"),
        ("bad.jpg", ""),
    ]


def test_a_table_that_cannot_be_written_is_said_before_anything_is_read(
    reader: Reader, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["read", "a.jpg", "--chart", CHART, "--csv", "missing/out.csv"]) == 1
    assert capsys.readouterr().err == (
        "error: cannot write the table missing/out.csv: No such file or directory; check the name and the folder\n"
    )
    assert reader.asked == []


def test_a_wrong_chart_leaves_an_old_table_as_it_is(reader: Reader, tmp_path: Path) -> None:
    (tmp_path / "old.csv").write_text("mine", encoding="utf-8")
    assert main(["read", "a.jpg", "--chart", "no such chart", "--csv", "old.csv"]) == 1
    assert (tmp_path / "old.csv").read_text(encoding="utf-8") == "mine"


@pytest.mark.parametrize(
    ("words", "text"),
    [
        (["--csv", "a.jpg"], "cannot write a.jpg: it is read here, and --csv would replace it"),
        (["--csv", "sub/../a.jpg"], "it is read here, and --csv would replace it"),
        (["--csv", "chart.toml"], "cannot write chart.toml: it is read here"),
        (
            ["--csv", "acetate.toml", "--expect", "acetate.toml=1"],
            "cannot write acetate.toml: it is read here",
        ),
        (
            ["a-overlay.jpg", "--overlay", "."],
            "cannot write a-overlay.jpg: it is read here, and --overlay would",
        ),
        (["--overlay", ".", "--csv", "a-overlay.jpg"], "--csv and --overlay both name this file"),
    ],
)
def test_nothing_that_is_read_is_written_over(
    reader: Reader, tmp_path: Path, capsys: pytest.CaptureFixture[str], words: list[str], text: str
) -> None:
    mine = {"a.jpg": b"photo", "a-overlay.jpg": b"another", "acetate.toml": b"recipe"}
    mine["chart.toml"] = shipped_charts()[CHART].read_bytes()
    for name, data in mine.items():
        (tmp_path / name).write_bytes(data)
    (tmp_path / "sub").mkdir()
    assert main(["read", "a.jpg", "--chart", "chart.toml", *words]) == 1
    assert text in capsys.readouterr().err
    assert reader.asked == []
    assert {name: (tmp_path / name).read_bytes() for name in mine} == mine


@pytest.mark.skipif(not os.path.exists("/dev/full"), reason="needs a device that is always full")
@pytest.mark.parametrize("json_too", [[], ["--json"]])
def test_a_table_on_a_full_disk_is_one_sentence(
    reader: Reader, capsys: pytest.CaptureFixture[str], json_too: list[str]
) -> None:
    assert main(["read", "a.jpg", "--chart", CHART, "--csv", "/dev/full", *json_too]) == 1
    said = capsys.readouterr()
    assert (
        said.err
        == "error: cannot write the table /dev/full: No space left on device; free some space and repeat\n"
    )
    assert reader.asked == []


def test_a_table_whose_disk_fills_up_leaves_the_json_whole(
    reader: Reader, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    written: list[bool] = []

    def fill_up(stream: Any, rows: Any, *, header: bool) -> None:
        written.append(header)
        if len(written) == 3:
            raise OSError(28, "No space left on device")

    monkeypatch.setattr("hueph.report.write_rows", fill_up)
    names = ["a.jpg", "b.jpg", "c.jpg"]
    assert main(["read", *names, "--chart", CHART, "--csv", "out.csv", "--json"]) == 1
    said = capsys.readouterr()
    assert [photo["photo"]["file"] for photo in json.loads(said.out)] == ["a.jpg", "b.jpg"]
    assert (
        said.err
        == "error: cannot write the table out.csv: No space left on device; free some space and repeat\n"
    )
    assert written == [True, False, False]


@pytest.mark.parametrize(
    ("words", "text"),
    [
        (["--chart", CHART], "Missing argument 'PHOTO...'"),
        (["a.jpg"], "Missing option '--chart'"),
        (
            ["a.jpg", "--chart", CHART, "--coverage", "1"],
            "above 0 and below 1, such as 0.95 for 95 %, got '1'",
        ),
        (
            ["a.jpg", "--chart", CHART, "--coverage", "nan"],
            "above 0 and below 1, such as 0.95 for 95 %, got 'nan'",
        ),
        (["a.jpg", "--chart", CHART, "--coverage", "0,95"], "such as 0.95 for 95 %, got '0,95'"),
        (["a.jpg", "--chart", CHART, "--jobs", "0"], "0 is not in the range x>=1"),
        (
            ["a.jpg", "--chart", CHART, "--tube", "1,2,3"],
            "must be 4 numbers in pixels of the upright picture, x,y,w,h, got '1,2,3'",
        ),
        (["a.jpg", "--chart", CHART, "--tube", "1,2,3,nan"], "must be 4 numbers"),
        (["a.jpg", "--chart", CHART, "--strip", "1,2,3,4"], "must be 8 numbers"),
        (["a.jpg", "--chart", CHART, "--colour"], "No such option"),
    ],
)
def test_wrong_usage_is_2_and_says_what_is_wrong(
    reader: Reader, capsys: pytest.CaptureFixture[str], words: list[str], text: str
) -> None:
    assert main(["read", *words]) == 2
    captured = capsys.readouterr()
    assert captured.out == ""
    assert text in captured.err
    assert reader.asked == []


def test_progress_is_shown_on_a_terminal_and_leaves_no_trace_in_the_output(
    reader: Reader, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    import sys

    monkeypatch.setattr(sys.stderr, "isatty", lambda: True, raising=False)
    assert main(["read", "a.jpg", "b.jpg", "c.jpg", "d.jpg", "--chart", CHART]) == 0
    captured = capsys.readouterr()
    assert "1 of 4 photographs" in captured.err
    assert captured.err.endswith("\r\x1b[K")
    assert "\x1b" not in captured.out


@pytest.mark.parametrize("columns", [10, 40, 52, 200])
def test_progress_keeps_to_one_line_of_a_narrow_terminal(
    reader: Reader, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, columns: int
) -> None:
    import sys

    monkeypatch.setattr(sys.stderr, "isatty", lambda: True, raising=False)
    monkeypatch.setenv("COLUMNS", str(columns))
    assert main(["read", "a.jpg", "b.jpg", "--chart", CHART]) == 0
    shown = capsys.readouterr().err.split("\r")[1:]
    lines = [line.removesuffix("\x1b[K") for line in shown]
    assert max(map(len, lines)) < columns  # a line that is wrapped cannot be taken away again
    assert ("[####" in shown[4]) == (columns >= 40)


BUDGET = {"noise": 0.02, "light": 0.05, "strip": 0.011, "print": 0.04, "card-to-liquid": 0.18}


def test_budget_is_asked_for_and_printed_with_what_would_help(
    reader: Reader, make_reading: Callable[..., Any], capsys: pytest.CaptureFixture[str]
) -> None:
    reader.changes = {"tubes": (make_reading(1, budget=BUDGET), make_reading(2))}
    assert main(["read", "a.jpg", "--chart", CHART, "--budget"]) == 0
    assert reader.asked[0]["budget"] is True
    lines = capsys.readouterr().out.splitlines()
    at = next(number for number, line in enumerate(lines) if "tube 1" in line)
    assert "noise 0.02, light 0.05, strip 0.01, print 0.04, card-to-liquid 0.18" in lines[at + 1]
    assert "most from card-to-liquid" in lines[at + 2]
    assert "a finer chart" in lines[at + 2]
    assert lines[at + 3].startswith("  tube 2")


def test_budget_is_an_extra_key_in_json_and_extra_columns_in_the_table(
    reader: Reader, make_reading: Callable[..., Any], capsys: pytest.CaptureFixture[str]
) -> None:
    reader.changes = {"tubes": (make_reading(1, budget=BUDGET), make_reading(2))}
    assert main(["read", "a.jpg", "--chart", CHART, "--budget", "--json", "--csv", "t.csv"]) == 0
    first, second = json.loads(capsys.readouterr().out)[0]["tubes"]
    assert first["budget"] == BUDGET
    assert "budget" not in second
    with Path("t.csv").open(newline="") as stream:
        rows = list(csv.DictReader(stream))
    assert [row["std_card_to_liquid"] for row in rows] == ["0.18", ""]


def test_without_budget_nothing_is_worked_out(reader: Reader) -> None:
    assert main(["read", "a.jpg", "--chart", CHART]) == 0
    assert reader.asked[0]["budget"] is False
