"""Chart files: written and read back, edited by hand, damaged, in the way of another file."""

from __future__ import annotations

import os
import re
import stat
import tomllib
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from hueph import Chart, ChartError, Marker, Patch, Reference, load_chart, write_chart
from hueph.chart import chart_sha256


def box(x: float, y: float, wide: float = 20.0, high: float = 30.0) -> tuple[tuple[float, float], ...]:
    """Corner points of an upright rectangle, clockwise from the top left."""
    return (x, y), (x + wide, y), (x + wide, y + high), (x, y + high)


def small_chart(**changes: object) -> Chart:
    """Three patches, two markers, a grey and a colour."""
    chart = Chart(
        name='Feed line "A"',
        patches=(
            Patch(4.0, (61.5, 40.25, 33.0), 1.5, box(10, 10)),
            Patch(5.5, (80.0, 4.0, 60.0), 1.0, box(35, 10)),
            Patch(7.0, (60.0, -30.0, 12.5), 2.0, box(60, 10)),
        ),
        paper_lab=(94.0, 0.5, 2.0),
        card_size=(120.0, 60.0),
        indicator="four dyes",
        batch="12\\A",
        date="2026-03-01",
        provenance="drawn for a test",
        note="two\nlines",
        dictionary="DICT_4X4_50",
        markers=(Marker(3, box(0, 0, 8, 8)), Marker(7, box(100, 0, 8, 8))),
        references=(
            Reference("grey", (50.0, 0.0, 0.0), 1.0, box(90, 10)),
            Reference("colour", (50.0, 60.0, 40.0), 1.0, box(90, 42, 20, 10)),
        ),
        unit="mm",
    )
    return replace(chart, **changes)  # type: ignore[arg-type]


@pytest.fixture
def text(tmp_path: Path) -> str:
    """The file of a small chart."""
    write_chart(small_chart(), tmp_path / "whole.toml")
    return (tmp_path / "whole.toml").read_text(encoding="utf-8")


def line_of(text: str, start: str, count: int = 1) -> int:
    """Number of the line that is the `count`-th to begin with `start`."""
    hits = [number for number, line in enumerate(text.splitlines(), 1) if line.startswith(start)]
    return hits[count - 1]


def swapped(text: str, start: str, new: str, count: int = 1) -> str:
    """Replace the `count`-th line that begins with `start`; "" takes it out."""
    lines = text.splitlines()
    number = line_of(text, start, count) - 1
    lines[number : number + 1] = [new] if new else []
    return "\n".join(lines) + "\n"


def refusal(tmp_path: Path, content: str | bytes) -> str:
    """The sentence with which a file of that content is refused, without its folder."""
    file = tmp_path / "chart.toml"
    file.write_bytes(content if isinstance(content, bytes) else content.encode("utf-8"))
    with pytest.raises(ChartError) as caught:
        load_chart(file)
    return str(caught.value).replace(f"{tmp_path}{os.sep}", "")


# ---------------------------------------------------------------- there and back


def test_a_chart_comes_back_as_it_was_written(tmp_path: Path) -> None:
    chart = small_chart()
    written = write_chart(chart, tmp_path / "chart.toml")
    read = load_chart(tmp_path / "chart.toml")
    assert read == written == replace(chart, sha256=written.sha256)
    assert not read.edited


colours = st.tuples(st.floats(0, 100), st.floats(-120, 120), st.floats(-120, 120))


@settings(max_examples=40, deadline=None)
@given(
    labs=st.lists(colours, min_size=3, max_size=20),
    first=st.floats(-2, 6),
    step=st.floats(0.01, 0.5),
    text=st.text(max_size=40),
)
def test_any_chart_comes_back_within_the_written_decimals(
    tmp_path_factory: pytest.TempPathFactory,
    labs: list[tuple[float, float, float]],
    first: float,
    step: float,
    text: str,
) -> None:
    patches = tuple(Patch(first + k * step, lab, 1.0, box(30 * k, 5)) for k, lab in enumerate(labs))
    chart = Chart("any", patches, (95.0, 0.0, 0.0), (30.0 * len(labs), 40.0), note=text)
    file = tmp_path_factory.mktemp("any") / "chart.toml"
    write_chart(chart, file)
    read = load_chart(file)
    assert read.note == text
    assert read.ph == pytest.approx(chart.ph, abs=0.5e-4 + 1e-12)
    assert read.lab == pytest.approx(chart.lab, abs=0.5e-3 + 1e-12)
    assert read.sha256 == chart_sha256(read)


def test_the_file_is_plain_toml(text: str) -> None:
    data = tomllib.loads(text)
    assert data["name"] == 'Feed line "A"'
    assert data["note"] == "two\nlines"
    assert [patch["ph"] for patch in data["patch"]] == [4.0, 5.5, 7.0]
    assert data["patch"][0]["corners"] == [[10.0, 10.0], [30.0, 10.0], [30.0, 40.0], [10.0, 40.0]]


def test_the_hash_is_of_the_content_and_tells_of_edits(tmp_path: Path, text: str) -> None:
    stated = tomllib.loads(text)["sha256"]
    file = tmp_path / "chart.toml"
    # Comments, blank lines and the order of keys are not content.
    file.write_text("# mine\n\n" + text, encoding="utf-8")
    same = load_chart(file)
    assert (same.sha256, same.edited) == (stated, False)
    file.write_text(swapped(text, "batch", 'batch = "13"'), encoding="utf-8")
    other = load_chart(file)
    assert other.edited
    assert other.sha256 != stated
    assert re.fullmatch("[0-9a-f]{64}", other.sha256)
    # Without a stated hash there is nothing to compare with.
    file.write_text(swapped(text, "sha256", ""), encoding="utf-8")
    assert (load_chart(file).sha256, load_chart(file).edited) == (stated, False)


def test_files_edited_on_other_systems_are_read(tmp_path: Path, text: str) -> None:
    file = tmp_path / "chart.toml"
    file.write_bytes(b"\xef\xbb\xbf" + text.replace("\n", "\r\n").encode("utf-8"))
    assert load_chart(file).patches == small_chart().patches


def test_a_date_may_be_written_without_quotes(tmp_path: Path, text: str) -> None:
    file = tmp_path / "chart.toml"
    file.write_text(swapped(text, "date", "date = 2026-03-01"), encoding="utf-8")
    assert load_chart(file).date == "2026-03-01"


def test_whole_numbers_are_numbers(tmp_path: Path, text: str) -> None:
    file = tmp_path / "chart.toml"
    file.write_text(swapped(text, "ph", "ph = 4"), encoding="utf-8")
    assert load_chart(file).ph[0] == 4.0


# ---------------------------------------------------------------- what is refused, and where


@pytest.mark.parametrize(
    ("start", "count", "new", "sentence"),
    [
        (
            "format", 1, 'format = "x"',
            "a chart file must say format = \"hueph-chart\", found 'x'; make one with hueph calibrate",
        ),
        (
            "version", 1, "version = 2",
            "this hueph reads charts of version 1, found version 2; use the hueph that wrote "
            "it, or calibrate again",
        ),
        (
            "version", 1, "version = true",
            "this hueph reads charts of version 1, found version True; use the hueph that "
            "wrote it, or calibrate again",
        ),
        ("name", 1, 'name = " "', "`name` must not be empty; give the chart a name"),
        ("name", 1, "name = 7", '`name` must be text in quotes, for example name = "...", got 7'),
        ("indicator", 1, 'indicater = "x"', "unknown key `indicater`; did you mean `indicator`?"),
        ("layout", 1, 'layout = "star"', "`layout` must be one of row, column, grid, got 'star'"),
        ("unit", 1, 'unit = "inch"', "`unit` must be one of px, mm, got 'inch'"),
        (
            "card_size", 1, "card_size = [120.0, 0]",
            "`card_size` must hold a width and a height above 0, got [120.0, 0.0]",
        ),
        (
            "card_size", 1, "card_size = 120",
            "`card_size` of the chart must be 2 numbers in brackets, got 120",
        ),
        (
            "paper_lab", 1, "paper_lab = [940, 0, 0]",
            "`paper_lab` must be CIELAB with L* from 0 to 100 and a*, b* within 200 of zero, "
            "got [940.0, 0.0, 0.0]",
        ),
        ("ph", 1, "ph = 21", "`ph` must lie between -2 and 16, got 21"),
        ("ph", 2, 'ph = "5.5"', "`ph` of patch 2 must be a number, got '5.5'"),
        ("ph", 2, "ph = nan", "`ph` of patch 2 must be a number, got nan"),
        ("ph", 2, "ph = 4.0", "patches must stand in order of rising pH, each pH once; found 4 twice"),
        ("ph", 3, "ph = 5.0", "patches must stand in order of rising pH, each pH once; found 5 after 5.5"),
        ("lab", 2, "lab = [80.0, 4.0]", "`lab` of patch 2 must be 3 numbers in brackets, got [80.0, 4.0]"),
        (
            "lab", 2, "lab = [80.0, 4.0, inf]",
            "`lab` of patch 2 must be 3 numbers in brackets, got [80.0, 4.0, inf]",
        ),
        ("delta_e_std", 3, "delta_e_std = -1", "`delta_e_std` of patch 3 must not be negative, got -1"),
        (
            "corners", 2, "corners = [[0, 0], [1, 0]]",
            "`corners` of patch 2 must be four points [[x, y], ...], top-left first and "
            "clockwise, got [[0, 0], [1, 0]]",
        ),
        (
            "corners", 1, "corners = [[0, 0], [0, 9], [9, 9], [9, 0]]",
            "`corners` of patch 1 must run clockwise round a convex four-sided area, got "
            "[[0, 0], [0, 9], [9, 9], [9, 0]]",
        ),
        (
            "dictionary", 1, "dictionary = 1",
            '`dictionary` must be text in quotes, for example dictionary = "...", got 1',
        ),
        ("id", 2, "id = 3", "`id` of a marker must be a whole number used once, got 3"),
        ("id", 1, "id = 1.5", "`id` of a marker must be a whole number used once, got 1.5"),
        ("kind", 1, 'kind = "gray"', "`kind` must be \"grey\" or \"colour\", got 'gray'"),
    ],
)  # fmt: skip
def test_a_broken_rule_names_its_line(
    tmp_path: Path, text: str, start: str, count: int, new: str, sentence: str
) -> None:
    number = line_of(text, start, count)
    assert refusal(tmp_path, swapped(text, start, new, count)) == f"chart.toml, line {number}: {sentence}"


@pytest.mark.parametrize(
    ("start", "count", "sentence"),
    [
        ("ph", 3, "patch 3 has no `ph`; add one"),
        ("lab", 2, "patch 2 has no `lab`; add lab = [..., ..., ...]"),
        ("delta_e_std", 1, "patch 1 has no `delta_e_std`; add one"),
    ],
)
def test_a_missing_value_names_the_line_of_its_patch(
    tmp_path: Path, text: str, start: str, count: int, sentence: str
) -> None:
    number = line_of(text, "[[patch]]", count)
    assert refusal(tmp_path, swapped(text, start, "", count)) == f"chart.toml, line {number}: {sentence}"


def test_missing_values_of_the_whole_chart_name_the_file(tmp_path: Path, text: str) -> None:
    without = swapped(text, "paper_lab", "")
    assert (
        refusal(tmp_path, without)
        == "chart.toml: the chart has no `paper_lab`; add paper_lab = [..., ..., ...]"
    )
    assert refusal(tmp_path, swapped(text, "dictionary", "")) == (
        "chart.toml: a chart with markers must name their `dictionary`, found none"
    )


def test_an_unknown_key_of_a_patch_names_its_line(tmp_path: Path, text: str) -> None:
    number = line_of(text, "lab", 2)
    changed = swapped(text, "lab", "labs = [1, 2, 3]", 2)
    assert refusal(tmp_path, changed) == (
        f"chart.toml, line {number}: unknown key `labs`; did you mean `lab`?"
    )


def test_too_few_patches_are_counted(tmp_path: Path, text: str) -> None:
    second = text.index("[[patch]]", text.index("[[patch]]") + 1)
    assert refusal(tmp_path, text[:second]) == (
        "chart.toml: a chart must have at least 3 patches, each begun with [[patch]], found 1"
    )


def test_a_patch_that_is_no_table_is_named(tmp_path: Path, text: str) -> None:
    head = text[: text.index("[[patch]]")]
    number = line_of(head + "patch = 3\n", "patch")
    assert refusal(tmp_path, head + "patch = 3\n") == (
        f"chart.toml, line {number}: `patch` must be a list of tables, each begun with [[patch]]"
    )


def test_what_is_not_toml_names_its_line(tmp_path: Path, text: str) -> None:
    number = line_of(text, "layout")
    message = refusal(tmp_path, swapped(text, "layout", 'layout = "row'))
    assert message.startswith(f"chart.toml, line {number}: this is not valid TOML (")
    assert message.endswith("); mend the line or make the chart again with hueph calibrate")


@pytest.mark.parametrize("content", [b"", b"\x89PNG\r\n\x1a\n\x00\x01", b"[1, 2", b"ph,colour\n4,red\n"])
def test_other_files_are_refused_in_one_sentence(tmp_path: Path, content: bytes) -> None:
    message = refusal(tmp_path, content)
    assert "hueph calibrate" in message
    assert "\n" not in message


def test_a_file_cut_short_is_refused_wherever_it_is_cut(tmp_path: Path, text: str) -> None:
    # From its third patch on a chart could be whole by accident.
    last = line_of(text, "[[patch]]", 3)
    head = "\n".join(text.splitlines()[: last - 1])
    for cut in range(1, len(head), 97):
        refusal(tmp_path, head[:cut])


def test_a_file_that_is_not_there_says_so(tmp_path: Path) -> None:
    with pytest.raises(ChartError, match=r"cannot read the chart file .*none\.toml: No such file"):
        load_chart(tmp_path / "none.toml")
    with pytest.raises(ChartError, match="cannot read the chart file"):
        load_chart(tmp_path)


# ---------------------------------------------------------------- writing


def test_a_file_is_never_overwritten_unasked(tmp_path: Path) -> None:
    file = tmp_path / "chart.toml"
    write_chart(small_chart(), file)
    before = file.read_bytes()
    with pytest.raises(ChartError, match="the file exists and is never overwritten unasked"):
        write_chart(small_chart(batch="13"), file)
    assert file.read_bytes() == before
    write_chart(small_chart(batch="13"), file, force=True)
    assert load_chart(file).batch == "13"


def test_a_chart_that_breaks_a_rule_is_not_written(tmp_path: Path) -> None:
    file = tmp_path / "chart.toml"
    with pytest.raises(ChartError, match="each pH once; found 7 twice"):
        write_chart(small_chart(patches=(*small_chart().patches, small_chart().patches[-1])), file)
    assert list(tmp_path.iterdir()) == []


def test_writing_that_fails_leaves_the_old_file_and_no_rests(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    file = tmp_path / "chart.toml"
    write_chart(small_chart(), file)
    before = file.read_bytes()

    def full(descriptor: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(ChartError, match=r"cannot write .*: No space left on device"):
        write_chart(small_chart(batch="13"), file, force=True)
    assert file.read_bytes() == before
    assert [entry.name for entry in tmp_path.iterdir()] == ["chart.toml"]


def test_a_file_that_appears_meanwhile_is_kept(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    file = tmp_path / "chart.toml"
    original = os.fsync

    def meanwhile(descriptor: int) -> None:
        file.write_text("another's", encoding="utf-8")
        original(descriptor)

    monkeypatch.setattr(os, "fsync", meanwhile)
    with pytest.raises(ChartError, match="never overwritten unasked"):
        write_chart(small_chart(), file)
    assert file.read_text(encoding="utf-8") == "another's"
    assert [entry.name for entry in tmp_path.iterdir()] == ["chart.toml"]


def test_a_missing_folder_is_named(tmp_path: Path) -> None:
    with pytest.raises(ChartError, match=r"cannot write .*chart\.toml: No such file or directory"):
        write_chart(small_chart(), tmp_path / "none" / "chart.toml")


def test_others_may_read_a_written_chart_as_the_system_allows(tmp_path: Path) -> None:
    old = os.umask(0o022)
    try:
        write_chart(small_chart(), tmp_path / "chart.toml")
    finally:
        os.umask(old)
    assert stat.S_IMODE((tmp_path / "chart.toml").stat().st_mode) == 0o644


def test_a_picture_in_place_of_a_chart_file_is_told_apart(tmp_path: Path) -> None:
    swapped = tmp_path / "tubes.jpg"
    swapped.write_bytes(b"\xff\xd8\xff\xe0" + bytes(40))
    with pytest.raises(ChartError, match="name a chart file here, not a picture; hueph calibrate makes one"):
        load_chart(swapped)
