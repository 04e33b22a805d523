"""The archive from the command line: run a command, then read the result back through the library."""

from __future__ import annotations

import json
import os
import shutil
from pathlib import Path
from typing import Any

import pytest

pytest.importorskip("sqlalchemy")
pytest.importorskip("jinja2")
pytest.importorskip("reportlab")

from hueph.archive.store import open_archive
from hueph.cli import main

ROOT = Path(__file__).resolve().parents[2]
PHOTO = ROOT / "samples" / "dim-single-tube.jpg"
CHART = "sample-universal-row"

Captured = pytest.CaptureFixture[str]


@pytest.fixture(scope="module")
def built(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """An archive of one photograph and one recipe, made by commands; not to be changed."""
    folder = tmp_path_factory.mktemp("cli") / "archive"
    common = ["--archive", str(folder), "--experiment", "feed line", "--who", "Ada"]
    add = [
        "archive",
        "add",
        str(PHOTO),
        "--chart",
        CHART,
        "--recipe",
        str(ROOT / "samples/recipes/nutrient.toml"),
    ]
    assert main([*add, *common, "--sample", "tank", "--step", "1"]) == 0
    return folder


@pytest.fixture
def mine(built: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A copy that may be changed, named by the environment variable."""
    folder = tmp_path / "mine"
    shutil.copytree(built, folder)
    monkeypatch.setenv("HUEPH_ARCHIVE", str(folder))
    return folder


def test_add_records_photographs_and_recipes(built: Path) -> None:
    with open_archive(built) as archive:
        assert [entry.kind for entry in archive.entries()] == ["reading", "expectation"]
        record = archive.record(1)
        assert (record.labels.who, record.labels.experiment, record.labels.sample) == (
            "Ada",
            "feed line",
            "tank",
        )
        assert archive.data(record.of_role("original")[0].sha256) == PHOTO.read_bytes()


def test_add_says_what_it_recorded(tmp_path: Path, capsys: Captured) -> None:
    words = [
        "archive",
        "add",
        str(PHOTO),
        "no.jpg",
        "--chart",
        CHART,
        "--archive",
        str(tmp_path / "a"),
        "--json",
    ]
    assert main(words) == 1
    said = capsys.readouterr()
    (record,) = json.loads(said.out)
    assert record["number"] == 1
    assert record["payload"]["photo"]["file"] == "dim-single-tube.jpg"
    assert "record 1  dim-single-tube.jpg, 1 tube: pH " in said.err
    assert "error: cannot read photograph no.jpg" in said.err
    assert main([*words[:3], *words[4:]]) == 0
    assert json.loads(capsys.readouterr().out)[0]["number"] == 1


def test_read_records_as_it_goes(tmp_path: Path, capsys: Captured) -> None:
    folder = tmp_path / "a"
    words = ["read", str(PHOTO), "--chart", CHART, "--archive", str(folder), "--experiment", "e", "--json"]
    assert main(words) == 0
    (shown,) = json.loads(capsys.readouterr().out)
    with open_archive(folder) as archive:
        recorded = archive.record(1).payload
    assert recorded["tubes"][0]["ph"] == shown["tubes"][0]["ph"]
    assert recorded["tubes"][0]["range"] == shown["tubes"][0]["range"]


def test_read_in_worker_processes_records_too(tmp_path: Path, capsys: Captured) -> None:
    photos = [tmp_path / f"{number}.jpg" for number in range(2)]
    for number, path in enumerate(photos):
        path.write_bytes(PHOTO.read_bytes() + bytes(number))
    folder = tmp_path / "a"
    words = ["archive", "add", *map(str, photos), "--chart", CHART, "--archive", str(folder), "--jobs", "2"]
    assert main(words) == 0
    with open_archive(folder) as archive:
        assert archive.length == 2


def test_read_without_an_archive_records_nothing(
    tmp_path: Path, capsys: Captured, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    assert main(["read", str(PHOTO), "--chart", CHART]) == 0
    assert list(tmp_path.iterdir()) == []


def test_archive_that_cannot_be_made_is_said_before_reading(tmp_path: Path, capsys: Captured) -> None:
    (tmp_path / "thesis.txt").write_text("x")
    assert main(["read", str(PHOTO), "--chart", CHART, "--archive", str(tmp_path)]) == 1
    assert "must be new or empty, it holds thesis.txt" in capsys.readouterr().err


def test_a_file_is_no_archive(tmp_path: Path, capsys: Captured) -> None:
    (tmp_path / "notes.txt").write_text("mine", encoding="utf-8")
    said = f"cannot open the archive {tmp_path / 'notes.txt'}: an archive is a folder, this is a file; "
    for words in (["archive", "list"], ["read", str(PHOTO), "--chart", CHART]):
        assert main([*words, "--archive", str(tmp_path / "notes.txt")]) == 1
        assert said in capsys.readouterr().err
    assert (tmp_path / "notes.txt").read_text(encoding="utf-8") == "mine"


@pytest.mark.parametrize(
    "words",
    [
        ["read", str(PHOTO), "--chart", CHART, "--csv", "{here}/pairs.csv"],
        ["compare", str(PHOTO), "--pair", "1:2", "--csv", "{here}/pairs.csv"],
        ["calibrate", str(PHOTO), "--ph", "4:10:0.5", "-o", "{here}/chart.toml"],
    ],
)
def test_an_archive_that_cannot_be_opened_is_said_before_anything_is_written(
    words: list[str], tmp_path: Path, capsys: Captured
) -> None:
    (tmp_path / "notes.txt").touch()
    blocked = [*(word.format(here=tmp_path) for word in words), "--archive", str(tmp_path / "notes.txt")]
    assert main([*blocked, "--json"]) == 1
    json.loads(capsys.readouterr().out)  # one document, not a result with an error behind it
    found = {path.name for path in tmp_path.iterdir()}
    assert found <= {"notes.txt", "pairs.csv"}
    assert "pairs.csv" not in found or (tmp_path / "pairs.csv").read_text().count("\n") == 1


def test_labels_without_an_archive_are_said_to_change_nothing(
    tmp_path: Path, capsys: Captured, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.delenv("HUEPH_ARCHIVE", raising=False)
    words = ["compare", str(PHOTO), str(PHOTO.with_name("none.jpg")), "--pair", "1:1", "--who", "Ada"]
    assert main([*words, "--step", "1"]) == 1
    note = "note: nothing is recorded, so --who, --step changes nothing: name an archive with --archive or"
    assert capsys.readouterr().err.startswith(note)
    assert main([*words, "--archive", str(tmp_path / "a")]) == 1
    assert "note:" not in capsys.readouterr().err


def test_list(mine: Path, capsys: Captured) -> None:
    assert main(["archive", "list"]) == 0
    out = capsys.readouterr().out.splitlines()
    assert len(out) == 2
    assert "reading      feed line / tank / 1 / Ada  dim-single-tube.jpg, 1 tube: pH " in out[0]
    assert main(["archive", "list", "--kind", "expectation", "--json"]) == 0
    (entry,) = json.loads(capsys.readouterr().out)
    assert entry["number"] == 2
    assert main(["archive", "list", "--experiment", "none"]) == 0
    said = capsys.readouterr()
    assert (said.out, said.err) == ("", "none of its 2 records is such\n")
    assert main(["archive", "list", "--limit", "1"]) == 0
    assert capsys.readouterr().err == "the newest 1 of 2; --limit 0 lists all\n"


def test_note_and_correction_and_show(mine: Path, capsys: Captured, tmp_path: Path) -> None:
    assert main(["archive", "note", "1", "lamp moved", "--who", "Ben"]) == 0
    assert capsys.readouterr().out == "record 3  on record 1: lamp moved\n"
    assert main(["archive", "note", "1", "wrong bottle", "--sample", "b7"]) == 0
    with open_archive(mine) as archive:
        corrected = archive.record(4)
        assert corrected.kind == "correction"
        assert (corrected.labels.sample, corrected.labels.experiment) == ("b7", "feed line")
    capsys.readouterr()
    assert main(["archive", "show", "1", "--files", str(tmp_path / "files")]) == 0
    out = capsys.readouterr().out
    assert "note      record 3: lamp moved" in out
    assert "corrected by record 4: wrong bottle" in out
    original = tmp_path / "files" / "record-1-dim-single-tube.jpg"
    assert original.read_bytes() == PHOTO.read_bytes()
    assert main(["archive", "show", "1", "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["later"] == [
        {"number": 3, "relation": "notes"},
        {"number": 4, "relation": "corrects"},
    ]
    (tmp_path / "file").touch()
    assert main(["archive", "show", "1", "--json", "--files", str(tmp_path / "file")]) == 1
    assert set(json.loads(capsys.readouterr().out)) == {"error"}
    assert main(["archive", "show", "9"]) == 1
    said = capsys.readouterr().err
    assert (
        said == "error: there is no record 9 in the archive: it has records 1 to 4; see hueph archive list\n"
    )


def test_verify_tells_sound_from_damaged(mine: Path, capsys: Captured) -> None:
    assert main(["archive", "verify"]) == 0
    out = capsys.readouterr().out
    assert out.startswith("sound; 2 records, ")
    assert ", 1 photograph read again, 0 notes\nlast link " in out
    link = out.split()[-1]
    assert main(["archive", "verify", "--quick", "--link", link[:16]]) == 0
    original = next(
        path for path in (mine / "contents").rglob("*") if path.is_file() and path.stat().st_size > 50_000
    )
    os.chmod(original, 0o644)
    original.write_bytes(original.read_bytes()[:-1])
    capsys.readouterr()
    assert main(["archive", "verify", "--quick"]) == 1
    out = capsys.readouterr().out
    assert "DAMAGE  file" in out
    assert "the original dim-single-tube.jpg of record 1" in out
    assert main(["archive", "verify", "--quick", "--json"]) == 1
    assert json.loads(capsys.readouterr().out)["damages"] == 1


def test_export_import_and_report(mine: Path, capsys: Captured, tmp_path: Path) -> None:
    bag, copy = str(tmp_path / "bag"), str(tmp_path / "copy")
    assert main(["archive", "export", bag, "--paper", "letter"]) == 0
    assert capsys.readouterr().out.startswith(f"wrote {bag}: 2 records, ")
    assert main(["archive", "import", bag, "--archive", copy]) == 0
    assert capsys.readouterr().out == "took in 2 records\n"
    assert main(["archive", "import", bag, "--archive", copy]) == 0
    assert capsys.readouterr().out == "nothing to take in: the archive has all of it already (2 records)\n"
    assert main(["archive", "import", str(tmp_path / "no"), "--archive", copy]) == 1
    assert "there is no such folder; check its name" in capsys.readouterr().err
    assert main(["archive", "import", str(tmp_path / "no"), "--archive", str(tmp_path / "new")]) == 1
    assert not (tmp_path / "new").exists()
    with open_archive(mine) as one, open_archive(copy) as other:
        assert one.head() == other.head()
    assert main(["archive", "export", bag]) == 1
    assert "there is something of this name already" in capsys.readouterr().err
    for name in ("report.html", "report.pdf"):
        assert main(["archive", "report", "feed line", str(tmp_path / name)]) == 0
        assert (tmp_path / name).stat().st_size > 10_000


def test_correcting_reading_replaces_the_old_one(mine: Path, capsys: Captured) -> None:
    words = ["archive", "add", str(PHOTO), "--chart", CHART, "--experiment", "feed line"]
    assert main([*words, "--corrects", "1", "--coverage", "0.8"]) == 0
    with open_archive(mine) as archive:
        from hueph.archive.report_gather import build_view

        replaced = [reading.replaced_by for reading in build_view(archive, "feed line").readings]
        assert replaced == [3, None]
    assert main([*words, "--corrects", "77"]) == 1
    assert "there is no record 77" in capsys.readouterr().err


def test_wrong_usage(capsys: Captured, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv("HUEPH_ARCHIVE", raising=False)
    assert main(["archive", "list"]) == 2
    assert "Missing option '--archive'" in capsys.readouterr().err
    assert main(["archive", "add", "--archive", str(tmp_path)]) == 2
    assert "nothing to add" in capsys.readouterr().err
    assert main(["archive", "add", str(PHOTO), "--archive", str(tmp_path)]) == 2
    assert "photographs need --chart" in capsys.readouterr().err
    assert main(["archive", "list", "--archive", str(tmp_path / "none")]) == 1
    assert "the folder is not there; make one with: hueph archive add" in capsys.readouterr().err


def test_missing_package_is_named(capsys: Captured, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    import importlib

    real = importlib.import_module

    def without(name: str, package: str | None = None) -> object:
        if name == "sqlalchemy":
            raise ImportError(name)
        return real(name, package)

    monkeypatch.setattr("hueph._optional.importlib.import_module", without)
    assert main(["archive", "list", "--archive", str(tmp_path)]) == 1
    assert "install it with: pip install 'hueph[archive]'" in capsys.readouterr().err


def test_what_is_added_and_written_is_told_to_programs(mine: Path, capsys: Captured, tmp_path: Path) -> None:
    bag, page = str(tmp_path / "bag"), str(tmp_path / "page.html")

    def told(*words: str) -> Any:
        assert main(["archive", *words, "--json"]) == 0
        return json.loads(capsys.readouterr().out)

    noted = told("note", "1", "in the shade")
    assert (noted["number"], noted["kind"]) == (3, "note")
    assert told("export", bag) == {
        "folder": bag, "records": 3, "left_out": [],
        "files": sum(path.is_file() for path in (tmp_path / "bag" / "data").rglob("*")),
        "size": sum(path.stat().st_size for path in (tmp_path / "bag" / "data").rglob("*") if path.is_file()),
    }  # fmt: skip
    assert told("import", bag, "--archive", str(tmp_path / "copy")) == {"taken": 3, "records": 3}
    assert told("import", bag, "--archive", str(tmp_path / "copy")) == {"taken": 0, "records": 3}
    head = told("verify", "--quick")["head"]
    assert told("report", "feed line", page) == {"file": page, "experiment": "feed line", "head": head}
    assert main(["archive", "report", "no such", page, "--json"]) == 1
    assert set(json.loads(capsys.readouterr().out)) == {"error"}


def test_demo_builds_verifies_and_exports(tmp_path: Path, capsys: Captured) -> None:
    """On one of the samples and the worked experiment only, for speed."""
    samples = tmp_path / "samples"
    samples.mkdir()
    shutil.copy(PHOTO, samples)
    shutil.copy(ROOT / "samples" / "truth.json", samples)
    shutil.copytree(ROOT / "samples" / "experiment", samples / "experiment")
    assert main(["archive", "demo", str(tmp_path / "out"), "--samples", str(samples)]) == 0
    out = capsys.readouterr().out
    assert "verified: sound; 8 records, " in out
    assert ", 5 photographs read again, 1 comparison made again; last link " in out
    assert {path.name for path in (tmp_path / "out").iterdir()} == {
        "archive",
        "bag",
        "report.html",
        "report.pdf",
        "report-acid.html",
        "report-acid.pdf",
    }
    page = (tmp_path / "out" / "report-acid.html").read_text()
    assert "thin-tube of buffers.toml): agrees" in page
    assert "The buffer is exhausted" in page
    assert main(["archive", "demo", str(tmp_path / "out2"), "--samples", str(tmp_path)]) == 1
    assert "is not the folder of the sample photographs" in capsys.readouterr().err


def test_calibrate_records_chart_and_pictures(tmp_path: Path, capsys: Captured) -> None:
    from PIL import Image, ImageDraw

    picture = Image.new("RGB", (700, 200), (250, 250, 248))
    for number, colour in enumerate(
        [(220, 60, 40), (230, 170, 40), (120, 170, 60), (40, 120, 170), (90, 50, 140)]
    ):
        ImageDraw.Draw(picture).rectangle((60 + 120 * number, 60, 150 + 120 * number, 150), fill=colour)
    picture.save(tmp_path / "card.png")
    chart = str(tmp_path / "chart.toml")
    words = ["calibrate", str(tmp_path / "card.png"), "--ph", "4,5,6,7,8", "-o", chart]
    assert main([*words, "--archive", str(tmp_path / "a"), "--who", "Ada"]) == 0
    with open_archive(tmp_path / "a") as archive:
        record = archive.record(1)
        assert (record.kind, record.labels.who) == ("calibration", "Ada")
        assert archive.data(record.of_role("original")[0].sha256) == (tmp_path / "card.png").read_bytes()
        assert archive.data(record.of_role("chart")[0].sha256) == (tmp_path / "chart.toml").read_bytes()
        assert str(tmp_path) not in record.body
    capsys.readouterr()
    assert main(["archive", "show", "1", "--archive", str(tmp_path / "a")]) == 0
    said = capsys.readouterr().out
    assert "says      chart card, 5 patches\n          layout: row\n" in said
    assert "          provenance: flat artwork" in said
    check = ["calibrate", "--check", chart, str(tmp_path / "card.png"), "--archive", str(tmp_path / "a")]
    assert main([*check, "--json"]) == 0
    found = json.loads(capsys.readouterr().out)
    with open_archive(tmp_path / "a") as archive:
        record = archive.record(2)
        assert (record.kind, record.summary) == ("calibration", "chart card, checked: fit")
        assert record.payload["check"] == {name: found[name] for name in ("verdict", "reason", "patches")}
        assert [item.name for item in record.of_role("original")] == ["card.png"]
    assert main(["archive", "show", "2", "--archive", str(tmp_path / "a")]) == 0
    assert "          fit: median drift 0.0" in capsys.readouterr().out


def test_compare_records_photographs_and_comparison(tmp_path: Path, capsys: Captured) -> None:
    photo, folder = ROOT / "samples" / "five-tubes.jpg", str(tmp_path / "a")
    words = ["compare", str(photo), "--chart", "sample-universal-strip", "--pair", "3:2"]
    assert main([*words, "--archive", folder, "--experiment", "e", "--who", "Ada"]) == 0
    capsys.readouterr()
    assert main(["archive", "verify", "--archive", folder]) == 0
    said = capsys.readouterr().out
    assert "sound; 2 records, " in said
    assert ", 1 photograph read again, 1 comparison made again, 0 notes" in said
    with open_archive(folder) as archive:
        reading, comparison = archive.records()
        assert (reading.kind, comparison.kind) == ("reading", "comparison")
        assert [link.number for link in comparison.links] == [1]
        assert comparison.payload["pairs"][0]["verdict"] == "exhausted"
        # A figure is drawn for the record though none was asked for.
        assert archive.data(comparison.of_role("overlay")[0].sha256).startswith(b"\xff\xd8")
        assert str(ROOT) not in reading.body + comparison.body
    assert main(["archive", "report", "e", str(tmp_path / "r.html"), "--archive", folder]) == 0
    assert "exhausted" in (tmp_path / "r.html").read_text()


def test_compared_photographs_keep_the_names_of_their_tubes(tmp_path: Path, capsys: Captured) -> None:
    folder = ROOT / "samples" / "experiment"
    photos = [str(folder / name) for name in ("start.jpg", "acid-5.jpg")]
    by_labels = [
        "compare",
        *photos,
        "--chart",
        str(folder / "chart.toml"),
        "--labels",
        "citrate,phosphate,thin,water",
    ]
    by_file = ["compare", str(folder / "experiment.toml")]
    wanted = (
        (by_labels, [], ["citrate, phosphate, thin, water"] * 2),
        (by_labels, ["--sample", "feed line"], ["feed line"] * 2),
        (by_file, [], ["citrate, phosphate, thin, water"] * 4),
    )
    for number, (words, more, names) in enumerate(wanted):
        where = tmp_path / str(number)
        assert main([*words, *more, "--archive", str(where)]) == 0
        with open_archive(where) as archive:
            readings = [record for record in archive.records() if record.kind == "reading"]
            assert [record.labels.sample for record in readings] == names
    capsys.readouterr()


def test_compare_by_colour_alone_keeps_the_photograph(tmp_path: Path, capsys: Captured) -> None:
    photo = ROOT / "tests" / "data" / "real" / "beakers_methyl_orange_cmyk.jpg"
    assert main(["compare", str(photo), "--pair", "1:3", "--archive", str(tmp_path / "a")]) == 0
    with open_archive(tmp_path / "a") as archive:
        (record,) = archive.records()
        assert record.kind == "comparison"
        assert archive.data(record.of_role("original")[0].sha256) == photo.read_bytes()
