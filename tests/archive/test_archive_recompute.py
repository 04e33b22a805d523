"""Readings are recomputed from the stored originals and compared."""

from __future__ import annotations

import json
import shutil
import subprocess
import sys
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from test_archive_tamper import rewrite

from hueph.archive.comparing import record_comparison
from hueph.archive.densities import pack_posterior
from hueph.archive.export import export_archive
from hueph.archive.importing import import_archive
from hueph.archive.keeping import add_reading
from hueph.archive.program import measuring_files
from hueph.archive.recompare import recompare
from hueph.archive.recompute import differences
from hueph.archive.records import Link, Record
from hueph.archive.showing import record_text
from hueph.archive.store import Archive, open_archive
from hueph.archive.verify import verify_archive
from hueph.chart import Chart
from hueph.cli import main
from hueph.comparing.photos import compare_photos
from hueph.errors import ArchiveError
from hueph.expecting import attach_expected, expect_tubes, parse_expect
from hueph.photo import load_photo
from hueph.reading import read_photo

SAMPLES = Path(__file__).resolve().parents[2] / "samples"


@pytest.fixture(scope="module")
def boxes() -> list[tuple[float, float, float, float]]:
    """Two tubes of the sample, outlined by hand, so that this test does not hang on finding them."""
    scenes = json.loads((SAMPLES / "truth.json").read_text())
    (scene,) = [scene for scene in scenes if scene["shots"][0]["file"] == "five-tubes.jpg"]
    found = []
    for tube in scene["tubes"][1:3]:
        xs, ys = zip(*tube["liquid"], strict=True)
        found.append((min(xs), min(ys), max(xs) - min(xs), max(ys) - min(ys)))
    return found


@pytest.fixture
def read(tmp_path: Path, chart: Chart, boxes: Any) -> Archive:
    """An archive with one real reading."""
    photo = load_photo(SAMPLES / "five-tubes.jpg")
    readings = read_photo(photo, chart, tubes=boxes)
    archive = open_archive(tmp_path / "read", create=True)
    add_reading(archive, photo, readings, chart, tubes=boxes)
    return archive


def test_recomputed_readings_agree(read: Archive) -> None:
    result = verify_archive(read)
    read.close()
    assert result.findings == []
    assert result.recomputed == 1


def test_forged_reading_is_found_though_every_hash_fits(read: Archive) -> None:
    def forge(number: int, data: dict[str, Any]) -> None:
        data["payload"]["tubes"][1]["range"] = [6.0, 6.5]

    rewrite(read, forge)
    result = verify_archive(read)
    read.close()
    assert [finding.where for finding in result.findings if finding.is_damage] == ["record 1"]
    assert "tube 2, range: recorded [6.0,6.5], recomputed [" in result.findings[-1].text


def test_difference_of_another_version_is_no_damage(read: Archive) -> None:
    def forge(number: int, data: dict[str, Any]) -> None:
        data["payload"]["tubes"][1]["range"] = [6.0, 6.5]
        data["program"]["version"] = "0.0.1"
        data["program"]["weights_sha256"] = "0" * 64

    rewrite(read, forge)
    result = verify_archive(read)
    read.close()
    assert result.is_sound
    said = result.findings[-1].text
    assert said.startswith("recomputed with another version (version 0.0.1, here ")
    assert "other weights" in said
    assert "differs by tube 2, range" in said
    assert result.notes == len([finding for finding in result.findings if not finding.is_damage])
    (detail,) = result.findings[-1].details
    assert detail.startswith("tube 2, range: recorded [6.0,6.5], recomputed [")


def test_forged_chart_is_found(read: Archive) -> None:
    """Another chart under the same record: its hash is not the one the record states."""

    def forge(number: int, data: dict[str, Any]) -> None:
        data["payload"]["chart"]["sha256"] = "1" * 64

    rewrite(read, forge)
    result = verify_archive(read)
    read.close()
    assert "chart: recorded 111111111111" in result.findings[-1].text
    assert not result.is_sound


@pytest.fixture
def expected(tmp_path: Path, chart: Chart, boxes: Any) -> Archive:
    """An archive with one real reading that was compared with two recipes, a file and a line."""
    recipe = tmp_path / "home" / "someone" / "tank.toml"
    recipe.parent.mkdir(parents=True)
    recipe.write_text('[solutions]\nfeed = "10 mM KH2PO4"\n[steps]\ntank = "take 20 mL of feed"\n')
    words = [f"{recipe}:tank=1", "5 mL 0.1 M acetic acid + 5 mL 0.1 M sodium acetate=five-tubes.jpg#2,3"]
    asked = tuple(parse_expect(text) for text in words)
    photo = load_photo(SAMPLES / "five-tubes.jpg")
    readings = attach_expected(read_photo(photo, chart, tubes=boxes), expect_tubes(asked))
    archive = open_archive(tmp_path / "expected", create=True)
    add_reading(archive, photo, readings, chart, tubes=boxes, asked=asked)
    return archive


def test_recipes_are_kept_and_worked_out_again(expected: Archive, tmp_path: Path) -> None:
    record = expected.record(1)
    result = verify_archive(expected)
    (recipe,) = record.of_role("recipe")
    kept = expected.data(recipe.sha256).decode()
    expected.close()
    assert result.findings == []
    assert (recipe.name, '"10 mM KH2PO4"' in kept) == ("tank.toml", True)
    assert [one["line"] for one in record.payload["asked"]] == [
        "",
        "5 mL 0.1 M acetic acid + 5 mL 0.1 M sodium acetate",
    ]
    assert "someone" not in record.body
    text = record_text(record, [])
    # The recipe's own value by its textbook formula, 4.76 less the activity's share; tube 3 is not there.
    assert "expected 4.67 (" in text
    assert "tank of tank.toml)" in text
    assert "cannot be compared, this tube was not found in the photograph" in text


def test_forged_comparison_with_a_recipe_is_found(expected: Archive) -> None:
    def forge(number: int, data: dict[str, Any]) -> None:
        data["payload"]["tubes"][1]["expected"]["verdict"] = "agree"
        data["payload"]["expected_unmatched"][0]["ph"] += 0.1

    rewrite(expected, forge)
    result = verify_archive(expected)
    expected.close()
    found = " ".join(finding.text for finding in result.findings if finding.is_damage)
    assert 'tube 2, expected verdict: recorded "agree", recomputed "' in found
    assert "tube 3 (not found), expected ph: recorded 4.7" in found


def test_recipe_line_of_an_import_reads_no_file_of_this_machine(expected: Archive, tmp_path: Path) -> None:
    own = tmp_path / "own.toml"
    own.write_text("[solutions]\n")

    def forge(number: int, data: dict[str, Any]) -> None:
        data["payload"]["asked"][1]["line"] = str(own)

    rewrite(expected, forge)
    result = verify_archive(expected)
    expected.close()
    assert "is the name of a file here" in result.findings[-1].text


@pytest.fixture
def compared(tmp_path: Path, chart: Chart) -> Archive:
    """An archive with a comparison of two tubes of one picture, by pH (records 1, 2) and by colour (3)."""
    archive = open_archive(tmp_path / "compared", create=True)
    pairs = [(4, 3)]
    for known in (chart, None):
        result = compare_photos([SAMPLES / "five-tubes.jpg"], known, pairs=pairs)
        record_comparison(
            archive,
            result.photos,
            {} if known is None else {known.sha256: known},
            result.to_dict(),
            options={
                "experiment": False, "pairs": pairs, "labels": [], "coverage": 0.95, "hold": 0.5, "expected": None,
            },
        )  # fmt: skip
    return archive


def test_comparisons_are_made_again(compared: Archive) -> None:
    result = verify_archive(compared)
    compared.close()
    assert result.findings == []
    assert (result.records, result.recomputed, result.compared) == (3, 1, 2)


def test_forged_comparison_is_found_though_every_hash_fits(compared: Archive) -> None:
    forged = {"verdict": "held", "range": [0.1, 0.2], "reason": "The buffer held.", "extra": 1}

    def forge(number: int, data: dict[str, Any]) -> None:
        if number == 2:
            data["payload"]["pairs"][0] |= forged

    rewrite(compared, forge)
    result = verify_archive(compared)
    compared.close()
    damages = [finding for finding in result.findings if finding.is_damage]
    assert {finding.where for finding in damages} == {"record 2"}
    found = " ".join(finding.text for finding in damages)
    for said in (
        'pairs 1, verdict: recorded "held", recomputed "',
        "pairs 1, range 1: recorded 0.1, recomputed ",
        'pairs 1, reason: recorded "The buffer held.", recomputed "',
        "pairs 1, extra: recorded 1, recomputed none",
    ):
        assert said in found


def test_experiment_leaves_without_folders_and_is_made_again_elsewhere(tmp_path: Path) -> None:
    """The file names a photograph and a recipe by their full paths; neither leaves, and all is made again."""
    home = tmp_path / "home" / "someone"
    home.mkdir(parents=True)
    photo, recipe, plan = home / "start.jpg", home / "feed.toml", home / "plan.toml"
    photo.write_bytes((SAMPLES / "five-tubes.jpg").read_bytes())
    recipe.write_text('[solutions]\nfeed = "10 mM KH2PO4"\n[steps]\ntank = "take 20 mL of feed"\n')
    plan.write_text(
        f'chart = "sample-universal-strip"\nrecipe = "{recipe}"\n[photos]\nstart = "{photo}"\n[samples.tank]\n'
        'start = "start:4"\nstep = "tank"\nadditions = [{ add = "5 drops of 0.1 M HCl", seen = "start:2" }]\n'
    )
    words = ["compare", str(plan), "--archive", str(tmp_path / "a"), "--experiment", "feed"]
    assert main(words) == 0
    with open_archive(tmp_path / "a") as archive:
        assert verify_archive(archive).findings == []
        bag = export_archive(archive, tmp_path / "bag").folder
        body = archive.record(2).body
    assert "someone" not in body
    assert all(b"someone" not in path.read_bytes() for path in bag.rglob("*") if path.is_file())
    shutil.rmtree(home)
    with open_archive(tmp_path / "b", create=True) as other:
        import_archive(other, bag)
        result = verify_archive(other)
    assert result.is_sound
    assert (result.recomputed, result.compared) == (1, 1)
    assert [finding.text for finding in result.findings] == [
        "the recipe plan.toml of record 2: a copy without private fields stands in for it"
    ]


def test_comparison_whose_reading_was_withheld_is_a_note(compared: Archive, tmp_path: Path) -> None:
    """An export of the comparison's experiment alone takes its readings along; a forged bag may not."""
    record = replace(compared.record(2), links=(Link(1, "uses"),))
    compared.close()

    class Withholding:
        """Stands in for an archive whose first record was left out."""

        def record(self, number: int) -> Record:
            return replace(record, number=number, contents=())

    with pytest.raises(ArchiveError, match="record 1, which it uses, was left out of the export"):
        recompare(Withholding(), record)  # type: ignore[arg-type]


EVERYTHING = """
import sys
from hueph.chart import load_chart
from hueph.comparing.running import run_experiment
from hueph.expecting import attach_expected, expect_tubes
readings = run_experiment(sys.argv[1] + "/experiment/experiment.toml").photos["start"]
attach_expected(readings, expect_tubes([sys.argv[1] + "/recipes/acetate.toml:buffer-100=4"]))
print("\\n".join(str(m.__file__) for n, m in sys.modules.items() if n.startswith("hueph.") and m.__file__))
"""


def test_a_record_knows_every_file_its_results_depend_on() -> None:
    """Else a change of one of them would make verify call honest records damaged."""
    run = [sys.executable, "-c", EVERYTHING, str(SAMPLES)]
    loaded = subprocess.run(run, capture_output=True, text=True, check=True).stdout.split()
    counted = {str(file) for file in measuring_files()}
    assert len(loaded) > 50
    assert set(loaded) - counted == set()
    folders = {file.parent for file in measuring_files() if file.parent.name != "hueph"}
    data = {
        str(file) for folder in folders for file in folder.iterdir() if file.suffix not in (".py", ".pyc")
    }
    assert {file for file in data if Path(file).is_file()} - counted == set()


def test_rounding_of_another_processor_is_no_difference(make_readings: Any) -> None:
    recorded = make_readings().to_dict()
    now = json.loads(json.dumps(recorded))
    now["tubes"][0]["ph"] += 0.001
    now["tubes"][0]["lab"][1] += 0.01
    assert differences(recorded, now) == []
    now["tubes"][0]["ph"] += 0.01
    assert len(differences(recorded, now)) == 1
    now["tubes"].pop()
    assert "tubes: recorded 4, recomputed 3" in differences(recorded, now)


def test_posterior_is_packed_without_its_tails(make_reading: Any) -> None:
    reading = make_reading()
    packed = pack_posterior(reading.grid, reading.posterior)
    assert packed is not None
    # A normal density falls to 1e-4 of its peak at 4.29 standard deviations.
    assert packed["low"] == pytest.approx(6.2 - 4.29 * 0.15, abs=0.03)
    assert len(packed["density"]) == pytest.approx(2 * 4.29 * 0.15 / packed["step"], abs=2)
    peak = max(packed["density"])
    assert peak == pytest.approx(1.0, abs=0.001)
