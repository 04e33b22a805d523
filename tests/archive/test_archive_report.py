"""Reports: what stands in them, and what a browser makes of them."""

from __future__ import annotations

import base64
import html
import io
import json
import re
import shutil
import subprocess
import zlib
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from conftest import absent, private_picture
from PIL import Image

from hueph.archive.annotating import add_correction, add_note
from hueph.archive.export import export_archive
from hueph.archive.importing import import_archive
from hueph.archive.keeping import add_calibration, add_comparison, add_expectation, add_reading
from hueph.archive.pictures import cut_to_pages
from hueph.archive.records import Labels
from hueph.archive.report_axis import Line, Polygon, axis_shapes
from hueph.archive.report_gather import agreement, build_view
from hueph.archive.reporting import report_html, report_pdf, write_report
from hueph.archive.showing import record_text, write_files
from hueph.archive.store import Archive, open_archive
from hueph.chart import Chart
from hueph.errors import ArchiveError, InputError
from hueph.expecting import attach_expected, expect_tubes, parse_expect
from hueph.interval import Interval
from hueph.photo import load_photo
from hueph.report import NOTICE

pytest.importorskip("jinja2")
pytest.importorskip("reportlab")


# What `hueph compare --json` prints of a pair that stayed, and of one beyond the card, colours alone.
PAIR = {
    "label": "tank", "added": "5 drops of <lye>", "delta_ph": 0.2, "range": [-0.1, 0.5], "coverage": 0.95,
    "before": {"photo": "photo-1.jpg", "tube": 1, "ph": 6.2}, "after": {"photo": "photo-2.jpg", "tube": 1, "ph": 6.4},
    "expected": {"delta_ph": 0.314}, "verdict": "held", "reason": "The buffer held.",
    "buffer_capacity": {"added_molar": 0.006, "capacity": 0.03, "range": [0.012, None], "theory": 0.02,
                        "theory_start": 0.02},
    "times_water": [5.54, None], "notes": ["tube 2 left out"], "flags": ["glare"],
}  # fmt: skip
OPEN_PAIR = {
    "label": "tube 2 to 3", "delta_ph": None, "range": [None, -2.4], "coverage": 0.95,
    "before": {"tube": 2, "ph": None, "range": [None, 4.3]}, "after": {"tube": 3, "ph": None, "range": None},
    "verdict": "undecided", "colour_verdict": "changed", "reason": "By colour alone.", "notes": [], "flags": [],
}  # fmt: skip


def tall_figure() -> bytes:
    """A picture of four rows of noise with a grey line above each, too high for a page."""
    pixels = np.random.default_rng(0).integers(0, 255, (500, 200, 3), dtype=np.uint8)
    pixels[::125] = 214
    stream = io.BytesIO()
    Image.fromarray(pixels).save(stream, "PNG")
    return stream.getvalue()


@pytest.fixture
def reported(tmp_path: Path, add: Callable[..., Any]) -> Archive:
    """An archive in a folder with everything that a report shows."""
    archive = open_archive(tmp_path / "reported", create=True)
    recipe = tmp_path / "tank.toml"
    recipe.write_text(
        'title = "Feed line"\n[solutions]\nfeed = "10 mM KH2PO4 + 10 mM K2HPO4"\n[steps]\ntank = "take 20 mL of feed"\n'
    )
    add_expectation(archive, recipe, labels=Labels("Ada", "feed & drain <1>"))
    first = add(
        archive, 1, who="Ada", experiment="feed & drain <1>", sample="tank, thin-phosphate, c, d", step="1"
    )
    second = add(archive, 2, who="Ada", experiment="feed & drain <1>", sample="x", step="2")
    add_comparison(
        archive,
        {"title": "Does it hold?", "pairs": [PAIR, OPEN_PAIR], "cautions": ["lye: corrosive"]},
        [first, second],
        labels=Labels("Ada", "feed & drain <1>"),
        figure=tall_figure(),
    )
    add_note(archive, first.number, "stood <b>in</b> the sun", who="Ben")
    add_correction(
        archive, second.number, "wrong bottle", Labels("Ada", "feed & drain <1>", "b7", "2"), who="Cem"
    )
    return archive


def test_view_holds_everything(reported: Archive) -> None:
    view = build_view(reported, "feed & drain <1>")
    reported.close()
    assert [reading.sample for reading in view.readings] == ["tank, thin-phosphate, c, d", "b7"]
    tube = view.readings[0].tubes[0]
    assert (tube.name, tube.value, tube.spread) == ("tank", "pH 6.2", "5.9 to 6.5, 95 %")
    # KH2PO4 and K2HPO4 in equal amounts: near pKa2 of phosphoric acid, 7.20 less the activity's share.
    assert tube.expected == pytest.approx(6.95, abs=0.15)
    assert tube.agreement.startswith("expected 6.")
    assert "read at least" in tube.agreement
    assert view.readings[0].notes[0].text == "stood <b>in</b> the sun"
    assert view.readings[1].notes[0].text == "labels corrected: wrong bottle"
    comparison = view.comparisons[0]
    assert (comparison.title, comparison.uses, comparison.cautions) == (
        "Does it hold?",
        (2, 3),
        ("lye: corrosive",),
    )
    held, changed = comparison.pairs
    assert (held.before, held.after) == ("photo-1.jpg tube 1: pH 6.2", "photo-2.jpg tube 1: pH 6.4")
    assert (held.change, held.expected, held.verdict) == ("+0.2 (-0.1 to +0.5, 95 %)", "+0.31", "held")
    assert held.details == (
        "buffer capacity 12 mM or more per pH unit; the recipe gives 20 mM",
        "moved at least 5.5 times less than plain water",
        "! tube 2 left out",
        "flags: glare",
    )
    assert (changed.before, changed.after) == ("tube 2: pH 4.3 or lower", "tube 3: no pH")
    assert (changed.change, changed.expected, changed.verdict) == ("-2.4 or lower, 95 %", "", "changed")
    assert "lye: corrosive" in view.cautions
    assert view.readings[0].tubes[2].value == "pH 4.3 or lower"
    assert NOTICE in view.cautions


def test_charts_stand_in_the_report_of_what_was_read_with_them(
    filled: Archive, chart: Chart, make_readings: Any, tmp_path: Path
) -> None:
    """Made, checked and refined, whatever their labels; another chart is none of this experiment's."""
    sheet = private_picture(tmp_path / "sheet.png")
    dated = replace(chart, date="2026-03-21", indicator="four dyes")
    photo = load_photo(private_picture(tmp_path / "e.jpg", 5))
    readings = replace(make_readings(photo.file), sha256=photo.sha256)
    add_reading(filled, photo, readings, dated, labels=Labels("Ada", "feed"))
    drift = {
        "verdict": "reprint",
        "reason": "median drift 4.0",
        "patches": [
            {"ph": 4.0, "delta_e": 4.04, "ph_shift": -0.123},
            {"ph": 5.0, "delta_e": 3.0, "ph_shift": None},
        ],
    }
    standards = {
        "standards": [
            {
                "tube": "tube 1 of b.jpg",
                "ph": 4.01,
                "chart_alone": {"median": 4.2, "range": [None, 4.6]},
                "left_out": {"median": 4.124, "range": [3.9, 4.3]},
            }
        ],
        "summary": ["Trusted to 0.2."],
    }
    made = add_calibration(
        filled,
        dated,
        pictures=[sheet],
        payload={"warnings": ["two patches look alike"]},
        labels=Labels("Dan"),
    )
    checked = add_calibration(filled, dated, pictures=[sheet], check=drift)
    refined = add_calibration(filled, dated, payload=standards)
    add_calibration(filled, replace(chart, paper_lab=(90.0, 0.0, 0.0)))
    add_note(filled, checked.number, "stood in the sun all summer", who="Ben")
    assert checked.summary == f"chart {chart.name}, checked: reprint"

    view = build_view(filled, "feed")
    assert [one.number for one in view.calibrations] == [made.number, checked.number, refined.number]
    assert view.people == ("Ada",), "who calibrated the card long ago did not do this experiment"
    first, second, third = view.calibrations
    facts = " ".join(first.facts)
    for words in ("Made from sheet.png.", "Calibrated on 2026-03-21.", "Indicator four dyes.", "By Dan."):
        assert words in facts
    assert facts.endswith("Used in record 6.")
    assert first.rows[0] == (
        f"{chart.ph[0]:g}",
        *(f"{value:.1f}" for value in chart.patches[0].lab),
        f"{chart.patches[0].delta_e_std:.1f}",
    )
    assert len(first.rows) == len(chart.patches)
    assert second.sentences == ("reprint: median drift 4.0.",)
    assert second.rows == (("4", "4.0", "-0.12"), ("5", "3.0", "hardly turns here"))
    assert third.title.endswith(", refined with 1 standard")
    assert third.rows == (("4.01", "4.6 or lower", "4.1 (3.9 to 4.3)", "tube 1 of b.jpg"),)

    page = report_html(filled, "feed")
    shown = [html.unescape(page)]
    if shutil.which("pdftotext"):
        words = subprocess.run(
            ["pdftotext", "-", "-"], input=report_pdf(filled, "feed"), capture_output=True, check=True
        ).stdout.decode()
        shown.append(" ".join(words.split()))
    for text in shown:
        for words in ("two patches look alike", "reprint: median drift 4.0", "Trusted to 0.2", "all summer"):
            assert words in text
    # What a report shows goes out with it, and can be checked there.
    bag = export_archive(filled, tmp_path / "bag", experiments=["feed"]).folder
    with open_archive(tmp_path / "copy", create=True) as copy:
        import_archive(copy, bag)
        assert copy.record(made.number).kind == "calibration"
        assert copy.record(refined.number + 1).kind == "withheld"
        assert [one.rows for one in build_view(copy, "feed").calibrations] == [
            one.rows for one in view.calibrations
        ]


def test_a_chart_that_is_gone_does_not_stop_a_report(filled: Archive, chart: Chart) -> None:
    if filled.place.folder is None:
        pytest.skip("a server keeps no files")
    made = add_calibration(filled, chart)
    (file,) = filled.place.folder.rglob(made.of_role("chart")[0].sha256)
    file.unlink()
    (view,) = build_view(filled, "feed").calibrations
    assert view.rows == ()
    assert "Charts" in report_html(filled, "feed")


def test_figure_is_cut_at_its_lines() -> None:
    parts = [Image.open(io.BytesIO(part)) for part in cut_to_pages(tall_figure())]
    # At most 1.25 times the width: 250 pixels, two rows.
    assert [part.size for part in parts] == [(200, 250), (200, 250)]
    assert cut_to_pages(b"") == ()
    small = io.BytesIO()
    Image.new("RGB", (80, 100)).save(small, "PNG")
    assert cut_to_pages(small.getvalue()) == (small.getvalue(),)
    noise = io.BytesIO()
    Image.fromarray(np.random.default_rng(1).integers(0, 255, (300, 100, 3), dtype=np.uint8)).save(
        noise, "PNG"
    )
    assert [Image.open(io.BytesIO(part)).height for part in cut_to_pages(noise.getvalue())] == [125, 125, 50]


def test_reading_beside_its_recipe(
    reported: Archive, make_readings: Any, chart: Chart, tmp_path: Path
) -> None:
    """What `hueph read --expect` found stands in page, PDF and text; not worked out anew."""
    photo = load_photo(private_picture(tmp_path / "e.jpg", 5))
    asked = [parse_expect("10 mL 10 mM KH2PO4 + 10 mL 10 mM K2HPO4=1,9")]
    readings = replace(make_readings(photo.file), sha256=photo.sha256)
    compared = attach_expected(readings, expect_tubes(asked))
    record = add_reading(
        reported, photo, compared, chart, labels=Labels(experiment="feed & drain <1>"), asked=asked
    )
    page = report_html(reported, "feed & drain <1>")
    view = build_view(reported, "feed & drain <1>").readings[-1]
    pdf = report_pdf(reported, "feed & drain <1>")
    reported.close()
    tube = view.tubes[0]
    said = compared.tubes[0].expected
    assert said is not None
    assert (tube.agreement, tube.causes) == (str(said), said.causes)
    assert tube.verdict.startswith(f"expected {said.ph:.2f}: reads lower by ")
    assert tube.expected == pytest.approx(said.ph, abs=0.001)
    assert len(tube.causes) > 0
    assert view.not_found[0][0] == 9
    for text in (tube.agreement, *(f"perhaps {cause}" for cause in tube.causes), "Tube 9: expected "):
        assert text in html.unescape(page)
    assert pdf.startswith(b"%PDF")
    lines = record_text(record, [])
    assert str(said) in lines
    assert f"perhaps {said.causes[0]}" in lines
    if shutil.which("pdftotext"):
        words = subprocess.run(
            ["pdftotext", "-", "-"], input=pdf, capture_output=True, check=True
        ).stdout.decode()
        assert "reads lower by" in " ".join(words.split())
        assert "Does it hold?" in words
        assert "5 drops of" in words
        assert "<lye>" in words
        assert "\nthin-phosphate\n" in words  # beside its tube's picture, in one piece


def test_comparison_and_recipe_as_text(reported: Archive) -> None:
    recipe, comparison = (record_text(reported.record(number), []) for number in (1, 4))
    reported.close()
    assert "step      tank: pH 6.9" in recipe
    assert comparison.splitlines()[6:10] == [
        "title     Does it hold?",
        "pair      tank, after 5 drops of <lye>",
        "          before photo-1.jpg tube 1: pH 6.2; after photo-2.jpg tube 1: pH 6.4",
        "          HELD  The buffer held.",
    ]
    assert "          CHANGED  By colour alone." in comparison


def test_files_of_one_name_do_not_replace_each_other(reported: Archive, tmp_path: Path) -> None:
    recipes = [
        reported.store(text, role="recipe", name="tank.toml", media_type="application/toml")
        for text in (b"one", b"two")
    ]
    record = add_comparison(reported, {"pairs": []}, [], contents=recipes)
    files = write_files(reported, record, tmp_path / "files")
    reported.close()
    assert [path.read_bytes() for path in files] == [b"one", b"two"]
    assert files[0].name == "record-7-tank.toml"


def test_agreement_means_a_common_ph() -> None:
    said = {"ph": 6.0, "range": [5.9, 6.1]}
    assert agreement(Interval(5.5, 5.95, 0.95), said) == "expected 6.00: agrees"
    assert agreement(Interval(None, 4.0, 0.95), said) == "expected 6.00: read at least 1.9 lower"
    assert agreement(Interval(7.0, None, 0.95), said) == "expected 6.00: read at least 0.9 higher"
    assert agreement(Interval(5.0, None, 0.95), said) == "expected 6.00: agrees"
    assert agreement(None, said) == "expected 6.00"
    assert agreement(Interval(5.0, 6.0, 0.95), None) == ""


def test_axis_shows_the_range_where_it_is(reported: Archive) -> None:
    reading = build_view(reported, "feed & drain <1>").readings[0]
    reported.close()
    shapes = axis_shapes(reading.tubes[0], reading, 250, 52)
    bar = max(
        (shape for shape in shapes if isinstance(shape, Line) and shape.thick == 2.2), key=lambda s: s.x2
    )
    ticks = {shape.text: shape.x for shape in shapes if hasattr(shape, "text")}
    unit = ticks["6"] - ticks["5"]
    assert bar.x1 == pytest.approx(ticks["5"] + 0.9 * unit, abs=0.01)
    assert bar.x2 == pytest.approx(ticks["6"] + 0.5 * unit, abs=0.01)
    open_end = axis_shapes(reading.tubes[2], reading, 250, 52)
    assert any(isinstance(shape, Polygon) and shape.fill < 0.2 for shape in open_end)
    refused = axis_shapes(reading.tubes[3], reading, 250, 52)
    assert not any(isinstance(shape, Polygon) and shape.fill < 0.9 for shape in refused)


def test_page_escapes_what_people_write_and_loads_nothing(reported: Archive) -> None:
    page = report_html(reported, "feed & drain <1>")
    reported.close()
    assert "feed &amp; drain &lt;1&gt;" in page
    assert "stood &lt;b&gt;in&lt;/b&gt; the sun" in page
    assert "5 drops of &lt;lye&gt;" in page
    assert "<script" not in page
    assert re.findall(r"""(?:src|href)=["'](?!data:)[^"']*""", page) == []
    assert "url(" not in page
    assert "http://" not in page
    assert "https://" not in page


def test_reports_draw_in_grey_only(reported: Archive) -> None:
    # What is not a photograph says nothing by hue: greys look alike to everybody (tests/test_colour_vision.py).
    page = report_html(reported, "feed & drain <1>")
    pdf = report_pdf(reported, "feed & drain <1>")
    reported.close()
    drawn = re.sub(r"data:[^\"')]*", "", page)
    hexes = [code if len(code) == 6 else code[0] * 2 + code[1] * 2 + code[2] * 2 for code in
             re.findall(r"#([0-9a-fA-F]{6}|[0-9a-fA-F]{3})\b(?=[;\"' ])", drawn)]  # fmt: skip
    assert len(hexes) >= 6
    spreads = [np.ptp([int(code[k : k + 2], 16) for k in (0, 2, 4)]) for code in hexes]
    assert max(spreads) <= 3
    assert "rgb(" not in drawn
    assert "hsl(" not in drawn
    streams = re.findall(rb"/ASCII85Decode /FlateDecode \]?.*?stream\r?\n(.*?)~>", pdf, re.DOTALL)
    pages = []
    for stream in streams:
        unpacked = zlib.decompress(base64.a85decode(stream))
        if b" Tf" in unpacked:  # a page, no picture and no font
            pages.append(unpacked.decode("latin-1"))
    assert pages
    colours = [
        tuple(map(float, found))
        for found in re.findall(r"([\d.]+) ([\d.]+) ([\d.]+) (?:rg|RG)\b", "".join(pages))
    ]
    assert len(colours) >= 10
    assert all(np.ptp(colour) == 0.0 for colour in colours)
    assert not re.search(r"[\d.]+ [\d.]+ [\d.]+ [\d.]+ [kK]\b", "".join(pages))


def test_pdf_is_of_the_asked_size(reported: Archive, tmp_path: Path) -> None:
    for paper, size in (("a4", "595.2756 841.8898"), ("letter", "612 792")):
        path = write_report(reported, "feed & drain <1>", tmp_path / f"{paper}.pdf", paper=paper)
        data = path.read_bytes()
        assert data.startswith(b"%PDF")
        assert f"0 0 {size}".encode() in data
    assert report_pdf(reported, "feed & drain <1>") == (tmp_path / "a4.pdf").read_bytes()
    reported.close()


def test_bad_wishes_are_refused(reported: Archive, tmp_path: Path) -> None:
    with pytest.raises(InputError, match=r"must end in \.html or \.pdf, got a\.doc"):
        write_report(reported, "feed & drain <1>", tmp_path / "a.doc")
    with pytest.raises(ArchiveError, match=r"no such folder or file: .*a\.html; check its name"):
        write_report(reported, "feed & drain <1>", tmp_path / "none" / "a.html")
    with pytest.raises(InputError, match="must be a4 or letter, got 'b5'"):
        report_pdf(reported, "feed & drain <1>", paper="b5")
    with pytest.raises(InputError, match="there is no experiment 'x'"):
        report_html(reported, "x")
    reported.close()


def test_browser_shows_and_prints_the_page_without_the_network(reported: Archive, tmp_path: Path) -> None:
    browser = shutil.which("chromium") or shutil.which("chromium-browser")
    if browser is None:
        absent("chromium is not installed (Debian: apt-get install chromium)")
    page = write_report(reported, "feed & drain <1>", tmp_path / "report.html")
    reported.close()
    printed, asked = print_page(browser, page, tmp_path)
    assert asked == set()
    assert printed.read_bytes().startswith(b"%PDF")
    if shutil.which("pdftotext"):
        words = ["pdftotext", str(printed), "-"]
        shown = subprocess.run(words, capture_output=True, text=True, check=True).stdout
        assert "feed & drain <1>" in shown
        assert "pH 6.2" in shown
    probe = tmp_path / "probe.html"
    probe.write_text('<img src="http://probe.invalid/x.png">')
    assert print_page(browser, probe, tmp_path)[1] == {"http://probe.invalid/x.png"}, "the check sees nothing"


def print_page(browser: str, page: Path, folder: Path) -> tuple[Path, set[str]]:
    """Print a page with a browser; return the PDF and what the page asked the network for.

    The browser writes down every request with who made it; its own housekeeping is "not an origin".
    """
    printed, log = folder / f"{page.stem}.printed.pdf", folder / f"{page.stem}.log.json"
    options = [
        "--headless=new", "--no-sandbox", "--disable-gpu", "--disable-dev-shm-usage", "--no-first-run",
        "--host-resolver-rules=MAP * ~NOTFOUND", "--no-pdf-header-footer", f"--log-net-log={log}",
        f"--user-data-dir={folder / page.stem}-profile", f"--print-to-pdf={printed}",
    ]  # fmt: skip
    subprocess.run([browser, *options, page.as_uri()], capture_output=True, timeout=180, check=True)
    events = [event.get("params") or {} for event in json.loads(log.read_text())["events"]]
    return printed, {
        event["url"]
        for event in events
        if "url" in event and event.get("initiator", "not an origin") != "not an origin"
    }
