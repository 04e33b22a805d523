"""`hueph compare` through the command line: exit status, text, JSON, table, figure, and what is refused."""

from __future__ import annotations

import csv
import json
import shutil
from pathlib import Path

import pytest

from hueph.cli import main

ROOT = Path(__file__).resolve().parents[2]
BEAKERS = str(ROOT / "tests" / "data" / "real" / "beakers_methyl_orange_cmyk.jpg")
FIVE = str(ROOT / "samples" / "five-tubes.jpg")
CHART = str(ROOT / "reference_charts" / "sample-universal-strip" / "chart.toml")
EXPERIMENT = str(ROOT / "samples" / "experiment" / "experiment.toml")


def test_colours_alone(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["compare", BEAKERS, "--pair", "1:3", "--pair", "2:4"]) == 0
    text = capsys.readouterr().out
    assert "By colour alone: changed" in text
    assert "By colour alone: no visible change" in text
    assert "no change of pH can be stated" in text


def test_json_is_all_there_is_on_standard_output(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["compare", FIVE, "--chart", CHART, "--pair", "3:2", "--json"]) == 0
    known = json.loads(capsys.readouterr().out)
    (pair,) = known["pairs"]
    assert {"before", "after", "delta_ph", "range", "coverage", "verdict", "reason"} <= set(pair)
    # True pH 8.24 and 4.0 (samples/truth.json).
    assert pair["verdict"] == "exhausted"
    assert pair["range"][0] is None
    assert pair["range"][1] < -3.0
    assert pair["same_picture"]


def test_table_and_figure_are_written(tmp_path: Path) -> None:
    table, figure = tmp_path / "pairs.csv", tmp_path / "pairs.png"
    words = ["compare", FIVE, "--chart", CHART, "--pair", "3:4", "--csv", str(table), "--figure", str(figure)]
    assert main(words) == 0
    (row,) = csv.DictReader(table.read_text(encoding="utf-8").splitlines())
    assert (row["before_tube"], row["after_tube"]) == ("3", "4")
    assert row["verdict"] in ("shifted", "exhausted")
    assert figure.stat().st_size > 10_000


def test_nothing_that_is_read_is_written_over(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    plan = Path(shutil.copytree(Path(EXPERIMENT).parent, tmp_path / "e")) / "experiment.toml"
    photo = str(tmp_path / "tubes.jpg")
    shutil.copy(FIVE, photo)
    before = {path: path.read_bytes() for path in tmp_path.rglob("*") if path.is_file()}
    for words in (
        [photo, "--pair", "1:2", "--figure", photo],
        [photo, "--pair", "1:2", "--csv", photo],
        [str(plan), "--figure", str(tmp_path / "e" / "start.jpg")],
        [str(plan), "--csv", str(tmp_path / "e" / "buffers.toml")],
        [str(plan), "--csv", str(tmp_path / "e" / "chart.toml")],
        [str(plan), "--csv", str(plan)],
    ):
        assert main(["compare", *words]) == 1
        assert "it is read here" in capsys.readouterr().err
    assert {path: path.read_bytes() for path in tmp_path.rglob("*") if path.is_file()} == before


def test_an_experiment_is_one_command(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["compare", EXPERIMENT, "--json"]) == 0
    known = json.loads(capsys.readouterr().out)
    assert len(known["pairs"]) == 8
    assert known["cautions"]


def test_strict_says_that_something_was_flagged() -> None:
    assert main(["compare", BEAKERS, "--pair", "1:3", "--strict"]) == 3


@pytest.mark.parametrize(
    ("words", "status", "text"),
    [
        ([BEAKERS], 1, "say which belong together, such as --pair 1:2"),
        ([BEAKERS, "--pair", "1:9"], 1, "has 4 tubes, so there is no tube 9"),
        ([BEAKERS, "--pair", "one:two"], 2, "a pair is two tube numbers counted from 1"),
        ([BEAKERS, "--labels", "a,a"], 2, "'a' stands twice"),
        ([BEAKERS, FIVE], 1, "say which belong together, such as --pair 1:1"),
        ([EXPERIMENT, "--chart", CHART], 2, "--chart cannot be used with an experiment file"),
        (["nothing.jpg", FIVE], 1, "nothing.jpg"),
        ([BEAKERS, "--pair", "1:3", "--figure", "x.txt"], 1, "must end in .png or .jpg"),
        ([BEAKERS, "--pair", "1:3", "--csv", "no/such/folder.csv"], 1, "cannot write the table"),
        ([BEAKERS, "--pair", "1:3", "--hold", "0"], 2, "hold"),
        ([BEAKERS, "--pair", "1:3", "--hold", "nan"], 2, "nan is not a change of pH"),
        ([BEAKERS, "--pair", "1:3", "--expected", "nan"], 2, "nan is not a change of pH"),
        ([BEAKERS, "--pair", "1:3", "--labels", "a,b,c,d"], 2, "give one of them"),
        ([EXPERIMENT, BEAKERS], 2, "is an experiment file, which names its photographs: give it alone"),
        ([BEAKERS, "--pair", "1:3", "--details"], 2, "--details is for an experiment file"),
        ([BEAKERS, "--pair", "1:3", "--csv", "x.png", "--figure", "./x.png"], 1, "both name this file"),
        ([BEAKERS, BEAKERS], 1, "say which belong together, such as --pair 1:2"),
    ],
)
def test_what_cannot_be_done_is_one_sentence(
    words: list[str], status: int, text: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["compare", *words]) == status
    said = capsys.readouterr().err
    assert text in said
    assert "Traceback" not in said
