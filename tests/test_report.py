"""Texts, rows and JSON, compared whole."""

from __future__ import annotations

import csv
import io
import json
import math
from collections.abc import Callable
from dataclasses import replace

from hueph.flags import FLAGS
from hueph.report import (
    CSV_COLUMNS,
    flags_table,
    reading_line,
    readings_json,
    readings_rows,
    readings_text,
    write_rows,
)
from hueph.results import PhotoReadings, Reading

TEXT = """\
bench.jpg: chart four patches; strip found, 4 patches, residual 1.3 CIEDE2000
  tube 1  pH 6.2 (5.9 to 6.5, 95 %)
  tube 2  pH 6.2 (5.9 to 6.5, 95 %)  [glare]
  tube 3  pH 4.3 or lower, 95 %  [beyond-chart]
  tube 4  no reading: off-chart-colour, turbid
"""


def test_text_gives_each_tube_a_line_and_each_flag_its_remedy_once(
    make_readings: Callable[..., PhotoReadings],
) -> None:
    text = readings_text(make_readings())
    assert text.startswith(TEXT)
    rest = text[len(TEXT) :].splitlines()
    wanted = ["glare", "turbid", "off-chart-colour", "beyond-chart"]
    assert rest == [f"  {name}: {FLAGS[name][0]}; {FLAGS[name][1]}" for name in wanted]


def test_text_without_strip_says_that_no_ph_can_be_stated(
    make_readings: Callable[..., PhotoReadings],
) -> None:
    text = readings_text(make_readings(patches=(), residual_delta_e=None, tubes=()))
    assert text == ("bench.jpg: chart four patches; no strip found, so no pH can be stated\n  no tube found")


def test_text_survives_a_flag_of_another_version(make_readings: Callable[..., PhotoReadings]) -> None:
    assert "  moonlit: not a flag of this version of hueph" in readings_text(
        make_readings(flags=("moonlit",))
    )


def test_narrow_range_gets_two_decimals(make_reading: Callable[..., Reading]) -> None:
    one = make_reading()
    assert one.interval is not None
    narrow = replace(one, ph=6.214, interval=replace(one.interval, low=6.163, high=6.271))
    assert reading_line(narrow) == "tube 1  pH 6.21 (6.16 to 6.27, 95 %)"


def test_json_is_the_contract_and_pure_ascii(make_readings: Callable[..., PhotoReadings]) -> None:
    text = readings_json(make_readings("b\u00e4nk-\udcff.jpg"))
    assert text.isascii()
    photo = json.loads(text)
    assert photo["photo"] == {
        "file": "b\u00e4nk-\udcff.jpg",
        "sha256": "ab" * 32,
        "width": 640,
        "height": 480,
    }
    assert photo["chart"] == {"name": "four patches", "sha256": "cd" * 32}
    assert photo["strip"]["found"] is True
    assert photo["strip"]["residual_delta_e"] == 1.34
    assert photo["strip"]["patches"][0] == {
        "ph": 4.0,
        "corners": [[100.0, 40.0], [160.0, 40.0], [160.0, 100.0], [100.0, 100.0]],
    }
    first, _, third, fourth = photo["tubes"]
    assert first == {
        "tube": 1,
        "liquid": [[60.0, 200.0], [120.0, 200.0], [120.0, 360.0], [60.0, 360.0]],
        "ph": 6.2,
        "range": [5.9, 6.5],
        "coverage": 0.95,
        "bound": None,
        "flags": [],
        "lab": [61.2, 3.1, 44.0],
        "delta_e": 1.1,
    }
    assert (third["ph"], third["range"], third["bound"]) == (None, [None, 4.3], "below")
    assert (fourth["ph"], fourth["range"], fourth["flags"]) == (None, None, ["off-chart-colour", "turbid"])
    assert photo["error"] is None


def test_rows_read_back_from_csv(make_readings: Callable[..., PhotoReadings]) -> None:
    stream = io.StringIO(newline="")
    readings = make_readings('odd, "name".jpg')
    write_rows(stream, readings_rows(readings), header=True)
    rows = list(csv.DictReader(io.StringIO(stream.getvalue(), newline="")))
    assert tuple(rows[0]) == CSV_COLUMNS
    assert [row["file"] for row in rows] == ['odd, "name".jpg'] * 4
    assert [row["ph"] for row in rows] == ["6.2", "6.2", "", ""]
    assert (rows[2]["low"], rows[2]["high"], rows[2]["bound"]) == ("", "4.3", "below")
    assert rows[3]["flags"] == "off-chart-colour turbid"
    assert math.isclose(float(rows[0]["b"]), 44.0)


def test_a_failed_photograph_is_one_row_with_its_error(make_readings: Callable[..., PhotoReadings]) -> None:
    (row,) = readings_rows(make_readings(tubes=(), patches=(), error=("PhotoError", "cannot read it")))
    assert (row["file"], row["tube"], row["strip_found"], row["error"]) == (
        "bench.jpg",
        "",
        "no",
        "cannot read it",
    )


def test_flags_table_has_a_line_a_flag() -> None:
    lines = flags_table().splitlines()
    assert [line.split("`")[1] for line in lines[2:]] == list(FLAGS)
