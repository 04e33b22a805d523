"""`hueph expect`: output, JSON, exit status, whole error sentences; results read back through the library."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from hueph.chemistry.expectation import expect_recipe
from hueph.cli import main

RECIPES = Path(__file__).parents[2] / "samples" / "recipes"
LINE = "5 mL 0.1 M acetic acid + 5 mL 0.1 M sodium acetate"


def test_text_of_a_one_liner(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["expect", LINE]) == 0
    out = capsys.readouterr()
    assert out.err == ""
    assert "step 1   pH 4.67 (4.64 to 4.70, 95 %)   10 mL" in out.out
    assert "shortcut 4.76 (Henderson-Hasselbalch for CH₃COO⁻ and CH₃COOH)" in out.out
    assert "exact minus shortcut -0.09: -0.09 ions shield one another (activity)" in out.out
    assert "buffer capacity 59.7 mM per pH unit" in out.out
    assert "CAUTION" not in out.out


def test_json_is_the_contract_and_the_library(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["expect", str(RECIPES / "acetate.toml"), "--json", "--coverage", "0.9"]) == 0
    found = json.loads(capsys.readouterr().out)
    made = expect_recipe(RECIPES / "acetate.toml")
    assert found == json.loads(json.dumps(made.to_dict(0.9)))
    for step in found["steps"]:
        promised = [
            "step",
            "ph",
            "ph_ideal",
            "volume_ml",
            "ionic_strength",
            "buffer_capacity",
            "species_molar",
        ]
        assert set(promised) <= set(step)
        assert isinstance(step["species_molar"], dict)
        assert step["range"][0] < step["ph"] < step["range"][1]
    assert len([text for text in found["cautions"] if "corrosive" in text]) == 1


def test_full_lists_more(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["expect", LINE]) == 0
    short = capsys.readouterr().out
    assert main(["expect", LINE, "--full"]) == 0
    full = capsys.readouterr().out
    assert "OH⁻" in full
    assert "OH⁻" not in short
    assert "transfer pipette class B" in full


def test_temperature_of_a_one_liner(capsys: pytest.CaptureFixture[str]) -> None:
    assert (
        main(["expect", "take 5 mL of 0.05 M TRIS + 0.05 M TRIS-HCl", "--temperature", "37", "--json"]) == 0
    )
    warm = json.loads(capsys.readouterr().out)["steps"][0]
    assert warm["temperature_c"] == 37.0
    assert main(["expect", LINE, "--temperature", "90"]) == 2
    assert "between 0 and 50" in capsys.readouterr().err
    assert main(["expect", str(RECIPES / "acetate.toml"), "--temperature", "20"]) == 2
    assert "a recipe file states its own" in capsys.readouterr().err


def test_monte_carlo_is_repeatable(capsys: pytest.CaptureFixture[str]) -> None:
    words = ["expect", LINE, "--monte-carlo", "500", "--seed", "3", "--json"]
    assert main(words) == 0
    first = json.loads(capsys.readouterr().out)["steps"][0]
    assert main(words) == 0
    assert json.loads(capsys.readouterr().out)["steps"][0] == first
    assert first["monte_carlo_std"] == pytest.approx(first["ph_std"], rel=0.15)
    assert main(["expect", LINE, "--monte-carlo", "500"]) == 0
    assert "500 random runs:" in capsys.readouterr().out
    assert main(["expect", LINE, "--monte-carlo", "5"]) == 1
    assert "between 100 and 200000" in capsys.readouterr().err


def test_plan(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    assert main(["expect", "--plan", "6.5", "100"]) == 0
    out = capsys.readouterr().out
    assert "1. 68.25 mL of 0.1 M potassium dihydrogen phosphate" in out
    # The recipe it prints is one that it reads.
    path = tmp_path / "plan.toml"
    path.write_text(out[out.index("title = ") :], encoding="utf-8")
    assert expect_recipe(path).steps[0].ph == pytest.approx(6.5, abs=0.01)
    assert main(["expect", "--plan", "4.2", "250", str(RECIPES / "acetate.toml"), "--json"]) == 0
    found = json.loads(capsys.readouterr().out)
    assert found["plan"][0]["acid"] == "acid"
    assert found["steps"][0]["ph"] == pytest.approx(4.2, abs=0.01)
    assert main(["expect", "--plan", "13.9", "100"]) == 1
    assert capsys.readouterr().err.startswith("error: no two solutions at 0.1 mol/L mix to pH 13.9;")


def test_strict_counts_cautions(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["expect", LINE, "--strict"]) == 0
    assert main(["expect", "take 5 mL of boiled water", "--strict"]) == 3
    assert main(["expect", "take 5 mL of boiled water"]) == 0
    capsys.readouterr()


def test_errors_are_one_sentence(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    assert main(["expect", "none.toml"]) == 1
    lost = "error: reading none.toml: the file cannot be opened: No such file or directory; check the name and the folder\n"
    assert capsys.readouterr().err == lost
    path = tmp_path / "bad.toml"
    path.write_text('[solutions]\nlye = "0.1 M NaOH"\n[steps]\none = "take 5 mL lie"\n', encoding="utf-8")
    assert main(["expect", str(path)]) == 1
    where = "error: reading bad.toml, line 4: step 'one': "
    expected = where + "nothing called 'lie' has been made or stands on the bench; did you mean lye?\n"
    assert capsys.readouterr().err == expected
    assert main(["expect", str(path), "--json"]) == 1
    assert json.loads(capsys.readouterr().out)["error"]["type"] == "RecipeError"
    assert main(["expect", "vinegar"]) == 1
    assert "no recipe file vinegar, and a line begins with an amount, such as" in capsys.readouterr().err
    assert main(["expect", "5 mL Acetic acid"]) == 1
    needs = "'Acetic acid' needs a concentration, such as '0.1 M Acetic acid'\n"
    assert capsys.readouterr().err.endswith(needs)
    for words in (["expect"], ["expect", " "]):
        assert main(words) == 2
        assert "name a recipe file" in capsys.readouterr().err
    assert main(["expect", "--plan", "six", "100"]) == 2
    capsys.readouterr()
    assert main(["expect", "."]) == 1
    assert capsys.readouterr().err.startswith(
        "error: reading .: the file cannot be opened: Is a directory; name a file"
    )
    (tmp_path / "long.toml").write_bytes(b"\n" * 300_000)
    assert main(["expect", str(tmp_path / "long.toml")]) == 1
    long = "error: reading long.toml: a recipe may hold 200 kB, this file is larger; check the name\n"
    assert capsys.readouterr().err == long
    assert main(["expect", "--plan", "6.5", "100", "--temperature", "99"]) == 1
    assert "the temperature in °C must lie between 0 and 50" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("words", "text"),
    [
        (["--plan", "6.5", "100", "--full"], "--full cannot be used with --plan"),
        (["--plan", "6.5", "100", "--plots", "x"], "--plots cannot be used with --plan"),
        (["--plan", "6.5", "100", "--monte-carlo", "500"], "--monte-carlo cannot be used with --plan"),
        ([LINE, "--total", "0.2"], "--total goes with --plan PH ML"),
        ([LINE, "--seed", "2"], "--seed is the seed of --monte-carlo N: give both"),
        ([LINE, "--monte-carlo", "500", "--seed", "-1"], "-1 is not in the range x>=0"),
        (
            ["--plan", "4.2", "250", str(RECIPES / "acetate.toml"), "--total", "1"],
            "a recipe, which states its own",
        ),
    ],
)
def test_no_option_is_without_effect(words: list[str], text: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["expect", *words]) == 2
    assert text in capsys.readouterr().err


def test_plots_are_written(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    pytest.importorskip("matplotlib")
    folder = tmp_path / "curves"
    assert main(["expect", str(RECIPES / "titration.toml"), "--plots", str(folder)]) == 0
    names = sorted(path.name for path in folder.iterdir())
    kinds = ("capacity", "species", "titration")
    assert names == [f"{step}-{kind}.png" for step in ("done", "planned") for kind in kinds]
    assert capsys.readouterr().err.count("drawn: ") == 6
    blocked = tmp_path / "file"
    blocked.write_text("", encoding="utf-8")
    assert main(["expect", LINE, "--plots", str(blocked / "x"), "--json"]) == 1
    said = capsys.readouterr()
    assert "cannot write the drawing" in said.err
    assert set(json.loads(said.out)) == {"error"}
