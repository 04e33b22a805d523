"""Recipes: what each sentence does, and how every mistake is named with its line."""

from __future__ import annotations

import random
import re
from pathlib import Path

import numpy as np
import pytest

from hueph.chemistry.equilibrium import Conditions, ph_of
from hueph.chemistry.expectation import Expectation, expect_recipe
from hueph.chemistry.recipe import load_recipe, parse_recipe
from hueph.chemistry.sentences import SentenceError, parse_sentence, parse_volume_ml
from hueph.errors import InputError, RecipeError

SAMPLES = Path(__file__).parents[2] / "samples" / "recipes"
BENCH = """\
[solutions]
acid = "0.1 M acetic acid"
salt = "0.1 M sodium acetate"
base = "0.1 M NaOH"
strong = "0.1 M HCl"
"""


def made(*steps: str, head: str = "", tail: str = "") -> Expectation:
    """Work out steps s1, s2 ... with the bench above."""
    lines = "\n".join(f's{number} = "{text}"' for number, text in enumerate(steps, start=1))
    return expect_recipe(f"{head}\n{BENCH}[steps]\n{lines}\n{tail}")


# ---------------------------------------------------------------- what sentences do


@pytest.mark.parametrize(
    ("sentences", "volume", "contents"),
    [
        (("take 2 mL of acid",), 2.0, {"acetic acid": 0.1}),
        (("take 2 mL acid",), 2.0, {"acetic acid": 0.1}),
        (("mix 5 mL acid and 15 mL salt",), 20.0, {"acetic acid": 0.025, "sodium acetate": 0.075}),
        (("mix equal volumes of acid and salt",), 10.0, {"acetic acid": 0.05, "sodium acetate": 0.05}),
        (("mix equal volumes of acid, acid and salt, 2 mL each",), 6.0, {"HAc": 0.2 / 3, "NaAc": 0.1 / 3}),
        (("dilute 10 mL of acid 1:10",), 100.0, {"acetic acid": 0.01}),
        (("dilute 10 mL acid to 250 mL",), 250.0, {"acetic acid": 0.004}),
        (("dilute acid 1:10",), 100.0, {"acetic acid": 0.01}),
        (("dilute 2 mL acid tenfold", ), 20.0, {"acetic acid": 0.01}),
        (("dilute 2 mL acid 10 times",), 20.0, {"acetic acid": 0.01}),
        (("fill 10 mL acid to 100 mL with salt",), 100.0, {"acetic acid": 0.01, "sodium acetate": 0.09}),
        (("take 2 mL of acid", "dilute s1 1:4"), 8.0, {"acetic acid": 0.025}),
        (("add 20 drops of base to 9 mL acid",), 10.0, {"acetic acid": 0.09, "NaOH": 0.01}),
        (("add twenty drops of base to 9 mL acid",), 10.0, {"acetic acid": 0.09, "NaOH": 0.01}),
        (("add a drop of base to 9.95 mL acid",), 10.0, {"acetic acid": 0.0995, "NaOH": 0.0005}),
        (("add half a drop of base to one mL acid",), 1.025, {"HAc": 0.1 / 1.025, "NaOH": 0.0025 / 1.025}),
        (("dilute acid 1/10",), 100.0, {"acetic acid": 0.01}),
        (("take 9 mL acid", "add 1 mL of 0.2 M NaOH to it"), 10.0, {"acetic acid": 0.09, "NaOH": 0.02}),
        (("take 10 mL acid", "split s1 into A, B", "mix A and 5 mL salt"), 10, {"HAc": 0.05, "NaAc": 0.05}),
        (("take 10 mL acid", "split s1 into 4", "take s2-4"), 2.5, {"acetic acid": 0.1}),
        (("take 10 mL acid", "split s1 into A and B, 2 mL each", "take the rest of s1"), 6.0, {"HAc": 0.1}),
        (("take 2 mL of 50 mM KH2PO4 + 25 mM Na2HPO4",), 2.0, {"KH2PO4": 0.05, "Na2HPO4": 0.025}),
        (("take 2 mL of 6.8 g/L KH2PO4",), 2.0, {"KH2PO4": 6.8 / 136.085}),
        (("titrate 25 mL acid with base, used 10 mL",), 35.0, {"acetic acid": 2.5 / 35, "NaOH": 1.0 / 35}),
        (("titrate 25 mL acid with base, from 0.5 to 10.5 mL",), 35.0, {"HAc": 2.5 / 35, "NaOH": 1.0 / 35}),
        (("titrate 25 mL acid with base",), 50.0, {"acetic acid": 0.05, "NaOH": 0.05}),
    ],
)  # fmt: skip
def test_sentence(sentences: tuple[str, ...], volume: float, contents: dict[str, float]) -> None:
    step = made(*sentences, head='water = "pure"').steps[-1]
    assert step.volume_ml == pytest.approx(volume, rel=1e-9)
    assert step.ph == pytest.approx(ph_of(contents), abs=1e-6)


def test_titrations_stop_where_they_are_told() -> None:
    assert made("titrate 25 mL acid with base, to pH 7").steps[0].ph == pytest.approx(7.0, abs=0.01)
    ended = made("titrate 25 mL acid with base, using phenolphthalein").steps[0]
    assert ended.ph == pytest.approx(8.3, abs=0.01)


def test_gases_and_temperature() -> None:
    assert made("boil 50 mL of water").steps[0].ph == pytest.approx(6.97, abs=0.02)
    assert made("leave water in air").steps[0].ph == pytest.approx(5.60, abs=0.01)
    assert made("take 2 mL water").steps[0].ph == pytest.approx(5.60, abs=0.01)
    assert made("take 2 mL water", head='water = "pure"').steps[0].ph == pytest.approx(6.998, abs=0.01)
    open_base = made("take 2 mL of 0.001 M NaOH", head='air = "open"').steps[0].ph
    assert open_base == pytest.approx(ph_of({"NaOH": 0.001}, conditions=Conditions(co2_atm=420e-6)), abs=1e-6)
    warm = made("take 2 mL of 0.05 M TRIS + 0.05 M TRIS-HCl", "warm s1 to 37 °C").steps[1]
    tris = {"TRIS": 0.05, "TRIS HCl": 0.05}
    assert warm.ph == pytest.approx(ph_of(tris, conditions=Conditions(temperature_c=37.0)), abs=1e-6)
    assert warm.temperature_c == 37.0


def test_recipe_settings_reach_the_engine() -> None:
    school = made(
        "mix 5 mL acid and 5 mL salt",
        head='activity = "ideal"\npkw = 14\nwater = "pure"',
        tail="[acid.acetic]\nka = [1.8e-5]\n",
    ).steps[0]
    assert school.ph == pytest.approx(4.7450, abs=1e-3)
    assert school.ph_ideal == pytest.approx(4.7447, abs=1e-4)
    drops = made("add 10 drops of base to 9.6 mL acid", head="drop_ml = 0.04").steps[0]
    assert drops.volume_ml == pytest.approx(10.0)
    named = made("take 1 mL of acid", head='title = "Sheet"\ntemperature = "22 °C"')
    assert named.recipe.title == "Sheet"
    assert named.recipe.temperature_c == 22.0


def test_moles_and_volumes_are_kept() -> None:
    steps = made("mix 5 mL acid and 5 mL salt", "split s1 into A and B", "add 5 drops of base to A").steps
    acetate = steps[2].species_mol["CH3COO-"] + steps[2].species_mol["CH3COOH"]
    assert acetate == pytest.approx(5e-4, rel=1e-10)
    assert steps[2].species_mol["Na+"] == pytest.approx(2.5e-4 + 0.25e-4, rel=1e-10)
    assert steps[2].volume_ml == pytest.approx(5.25)


def test_users_species() -> None:
    text = """
[acid.malic]
name = "malic acid"
forms = ["H2Mal", "HMal-", "Mal-2"]
pka = [3.46, 5.10]

[reagent."malic acid"]
formula = "C4H6O5"
contains = { H2Mal = 1 }

[solutions]
apple = "6.7 g malic acid in 500 mL"

[steps]
tube = "take 2 mL apple"
"""
    step = expect_recipe(text).steps[0]
    assert step.species_molar["H2Mal"] + step.species_molar["HMal-"] == pytest.approx(0.09993, abs=2e-5)
    # pH of a weak acid: half of pKa1 - log c, less the share of its own dissociation.
    assert step.ph == pytest.approx(0.5 * (3.46 - np.log10(0.1)), abs=0.02)


@pytest.mark.parametrize("plus", ["+", "+ ", " +", " + "])
def test_a_plus_needs_no_blanks(plus: str) -> None:
    step = expect_recipe(f"5 mL 0.1M acetic acid{plus}5mL 0.1 M sodium acetate").steps[0]
    assert step.ph == pytest.approx(4.67, abs=0.01)
    assert step.volume_ml == pytest.approx(10.0)


def test_a_plus_that_belongs_to_a_number_stays_there() -> None:
    assert expect_recipe("1e+1 mL 0.1 M HCl").steps[0].volume_ml == pytest.approx(10.0)
    assert expect_recipe("+5 mL 0.1 M HCl").steps[0].volume_ml == pytest.approx(5.0)


def test_one_liners_and_files_give_the_same(tmp_path: Path) -> None:
    line = expect_recipe("5 mL 0.1 M HAc + 5 mL 0.1 M NaAc; add 5 drops of 0.1 M NaOH to 2 mL of it")
    steps = 'buffer = "mix 5 mL acid and 5 mL salt"\nmore = "add 5 drops of base to 2 mL of buffer"\n'
    text = f"{BENCH}[steps]\n{steps}"
    path = tmp_path / "sheet.toml"
    path.write_text(text.replace("\n", "\r\n"), encoding="utf-8-sig")
    for source in (text, path, str(path), parse_recipe(text)):
        other = expect_recipe(source)
        assert [step.ph for step in other.steps] == pytest.approx([step.ph for step in line.steps], abs=1e-12)
    assert other.step("more").volume_ml == pytest.approx(2.25)
    assert expect_recipe("0.1 M acetic acid").steps[0].ph == pytest.approx(
        ph_of({"acetic acid": 0.1}), abs=1e-6
    )
    with pytest.raises(InputError, match="has no step called 'less'; it has buffer, more"):
        other.step("less")


@pytest.mark.parametrize("name", sorted(path.name for path in SAMPLES.glob("*.toml")))
def test_sample_recipes_work(name: str) -> None:
    steps = expect_recipe(SAMPLES / name).steps
    assert len(steps) >= 2
    assert all(np.isfinite(step.ph) and step.ph_std > 0.0 for step in steps)


def test_json_holds_what_the_contract_promises() -> None:
    step = made("mix 5 mL acid and 5 mL salt").to_dict()["steps"][0]
    promised = ["step", "ph", "ph_ideal", "volume_ml", "ionic_strength", "buffer_capacity", "species_molar"]
    assert list(step)[: len(promised)] == promised
    assert step["step"] == "s1"
    assert step["ph_ideal"] == pytest.approx(4.756)


def test_cautions_are_said_once_and_where_they_belong() -> None:
    strong = made("add 5 drops of base to 2 mL acid", "add 5 drops of base to 2 mL salt")
    assert len([text for text in strong.cautions if "corrosive" in text]) == 1
    assert "eye protection" in strong.cautions[0]
    assert made("mix 5 mL acid and 5 mL salt").cautions == ()
    assert any(
        "flames" in text for text in made("titrate 25 mL acid with base, using phenolphthalein").cautions
    )
    assert any(
        "air" in text
        for text in made("boil 5 mL of water", "dilute s1 1:2 with boiled water").steps[1].cautions
    )
    assert any("pairs" in text for text in made("take 1 mL of 5 mM MgSO4 + 5 mM K2HPO4").steps[0].cautions)
    assert any("activities" in text for text in made("take 1 mL of 2 M NaCl").steps[0].cautions)
    assert any("steep" in text for text in made("titrate 25 mL strong with base").steps[0].cautions)
    assert any("boiling" in text for text in made("boil 5 mL of 0.1 M NaHCO3").steps[0].cautions)


# ---------------------------------------------------------------- mistakes, one of each kind

# (text before [steps] replaced or added, steps, line, part of the sentence). The bench takes lines 2 to 6.
MISTAKES = [
    ('"take -5 mL acid"', "a volume must lie between 0.0001 mL and 1000 L, found -5 mL"),
    ('"take 0 mL acid"', "found 0 mL"),
    ('"take 5 acid"', "an amount needs a unit"),
    ('"take acid"', "say how much of acid"),
    ('"take 5 mL"', "needs to say what of"),
    ('"take 5 mL acidd"', "nothing called 'acidd' has been made or stands on the bench; did you mean acid"),
    ('"take 5 mL of 0.1 M acetik acid"', "no substance called 'acetik acid' is known; did you mean acetic"),
    ('"take 5 mL of 0.1 Q acetic acid"', "the unit 'Q' of '0.1 Q acetic acid' is not known"),
    ('"take 5 mL of 100 M HCl"', "no solution holds more than 40 mol/L"),
    ('"take 5 mL of 2 g KNO3"', "a mass needs a volume"),
    ('"take 2000 mL acid"', "it takes 2000 mL of acid, but only 1000 mL are there"),
    ('"take 20001 drops of acid"', "at most 10000"),
    ('"frob 5 mL acid"', "a step must begin with one of take, mix"),
    ('"mix 5 mL acid"', "at least two liquids"),
    ('"mix equal volumes of 5 mL acid and salt"', "the volume goes to the end"),
    ('"mix equal volumes of acid and salt, five each"', "such as 2 mL was expected before 'each'"),
    ('"dilute acid"', "needs a ratio or a final volume"),
    ('"dilute acid 1:0.5"', "must be 1 to more than 1"),
    ('"dilute acid 10:1"', "a dilution is written 1:10, one part in ten parts in all, found 10:1"),
    ('"dilute 10 mL acid to 5 mL"', "fills 10 mL up to 5 mL"),
    ('"dilute 10 mL acid to 5 drops"', "needs a volume such as 100 mL"),
    ('"split acid into A and B"', "how much of acid goes into each portion"),
    ('"split 2 mL acid into A and B"', "'split' takes no amount"),
    ('"split acid into A and A, 2 mL each"', "needs a name of its own"),
    ('"split acid into 1, 2 mL each"', "2 to 100 portions"),
    ('"split acid"', "needs to say into what"),
    ('"add 5 drops of base"', "needs to say to what"),
    ('"titrate 25 mL acid"', "needs to say with what"),
    ('"titrate 25 mL acid with acid"', "titrated with itself"),
    ('"titrate 25 mL acid with base, until pink"', "after the titrant come"),
    ('"titrate 25 mL acid with base, using litmos"', "no indicator called 'litmos' is known"),
    ('"titrate 25 mL acid with base, to pH 15"', "between 0 and 14"),
    ('"titrate 25 mL acid with base, to pH 13.5"', "does not pass pH 13.5"),
    ('"titrate 25 mL acid with base, from 20 to 10 mL"', "burette readings rise"),
    ('"titrate 25 mL acid with base, used 2000 mL"', "only 1000 mL are there"),
    ('"titrate 25 mL salt with base"', "no equivalence point to stop at"),
    ('"titrate 25 mL base with acid"', "no equivalence point to stop at"),
    ('"boil"', "needs to say what of"),
    ('"leave acid in the cupboard"', "only knows the air"),
    ('"warm acid to 80 °C"', "between 0 and 50"),
    ('"warm acid"', "needs a temperature"),
    ('"take 5 mL of it"', "this is the first"),
    ('"take 5 mL of s1"', "cannot be made from itself"),
    ('"take 5 mL [bucket] acid"', "no glassware called 'bucket' is known"),
    ('""', "must be a text in quotes, found nothing"),
    ("5", "must be a text in quotes, found 5"),
    ("[1, 2]", "must be a text in quotes, found [1, 2]"),
    ("true", "must be a text in quotes, found True"),
    ("take 5 mL acid", "not valid TOML (invalid value; texts must stand in quotes"),
    ('"take 5 mL acid', "not valid TOML"),
]  # fmt: skip


@pytest.mark.parametrize(("value", "message"), MISTAKES, ids=[value for value, _ in MISTAKES])
def test_mistake_is_named_with_its_line(value: str, message: str) -> None:
    text = f"{BENCH}\n[steps]\n# a remark\ns1 = {value}\n"
    sentence = _refusal(text)
    assert message in sentence
    assert re.search(r"line 9\b", sentence), sentence


HEADS = [
    ('titel = "x"', "the key 'titel' is not known here; did you mean title"),
    ("title = 3", "'title' must be a text in quotes"),
    ("temperature = 80", "'temperature' must be a number from 0 to 50, found 80"),
    ('temperature = "hot"', "a temperature such as 22 °C was expected"),
    ("drop_ml = -0.05", "'drop_ml' must be a number from 0.005 to 0.2"),
    ("drop_ml = nan", "found nan"),
    ('air = "ajar"', "'air' must be \"closed\" or \"open\", found 'ajar'"),
    ("water = 7", "'water' must be"),
    ('activity = "pitzer"', "'activity' must be"),
    ("pkw = 3", "'pkw' must be a number from 11 to 16"),
    ("co2_ppm = -1", "'co2_ppm' must be a number"),
    ('test_acid = "0.1 M vinager"', "no substance called 'vinager'"),
    ('solutions = "none"', "'solutions' must be a section, written [solutions]"),
    ("steps = 1", "'steps' must be a section"),
    ('measuring = {volumes = "bucket B"}', "no glassware called 'bucket'"),
    ('measuring = {burette = "class C"}', "no glassware called 'c'"),
    ("measuring = {label_percent = 90}", "'label_percent' must be a number from 0 to 50"),
    ("measuring = {exact = 1}", "'exact' must be true or false"),
    ("measuring = {volume = 1}", "did you mean volumes"),
    ("acid = 3", "must be a table of tables"),
    ('acid = {x = {forms = ["HX", "X-"]}}', "needs pka"),
    ('reagent = {y = {contains = {"Na+" = 2, "Cl-" = 1}}}', "add up to 0, they add up to +1"),
]  # fmt: skip


@pytest.mark.parametrize(("head", "message"), HEADS, ids=[head for head, _ in HEADS])
def test_setting_is_named_with_its_line(head: str, message: str) -> None:
    bench = "" if head.startswith(("steps", "solutions", "acid")) else BENCH
    sentence = _refusal(f"# remark\n\n{head}\n{bench}")
    assert message in sentence
    assert re.search(r"line 3\b", sentence), sentence


LABELS = [
    ("0.1 M", "does not say of what; write a solution as 0.1 M acetic acid"),
    ("acetic acid", "is given without a concentration"), ("0.1 M acetik acid", "did you mean acetic acid"),
    ("0,1 M acetic acid", "a decimal point was expected"), ("0 M acetic acid", "must be above 0"),
    ("-0.1 M acetic acid", "a concentration must be above 0"), ("5 g acetic acid", "a mass needs a volume"),
    ("5 g acetic acid in a jug", "a volume such as 250 mL was expected"),
    ("0.1 M HCl + 0.2 M HCl", "named twice"), ("300 g NaOH in 1 mL", "no solution holds more than 40 mol/L"),
    ("0 mL of 0.1 M HCl", "a volume must lie between"), ("rainwater", "is not the name of anything here"),
]  # fmt: skip


@pytest.mark.parametrize(("label", "message"), LABELS, ids=[label for label, _ in LABELS])
def test_label_is_named_with_its_line(label: str, message: str) -> None:
    sentence = _refusal(f'[solutions]\nother = "0.1 M HCl"\n\nbottle = "{label}"\n')
    assert message in sentence
    assert "line 4: solution 'bottle'" in sentence


NAMES = [
    ("and", "meaning of its own"),
    ("2nd", "letters"),
    ("water", "meaning of its own"),
    ("a, b", "letters"),
]


@pytest.mark.parametrize(("name", "message"), NAMES)
def test_names_that_would_confuse_are_refused(name: str, message: str) -> None:
    assert message in _refusal(f'[solutions]\n"{name}" = "0.1 M HCl"\n')


def test_order_rings_and_empty_vessels() -> None:
    later = f'{BENCH}[steps]\none = "take 1 mL of two"\ntwo = "take 5 mL of acid"\n'
    assert "line 7: step 'one': 'two' is used before it is made in line 8; move that line up" in _refusal(
        later
    )
    ring = f'{BENCH}[steps]\none = "take 1 mL of two"\ntwo = "take 5 mL of one"\n'
    assert "line 7: step 'one': it needs 'two' (line 8), which needs 'one'" in _refusal(ring)
    first = f'{BENCH}[steps]\none = "take 1 mL of acid"\n'
    gone = f'{first}two = "add 1 mL salt to one"\nthree = "add 1 mL base to one"\n'
    empty = "line 9: step 'three': nothing is left of one: the last of it went into 'two' in line 8; go on"
    assert empty in _refusal(gone)
    much = f'{first}two = "take 0.6 mL one"\nthree = "take 0.6 mL one"\n'
    assert "line 9: step 'three': it takes 0.6 mL of one, but only 0.4 mL are there" in _refusal(much)
    twice = f'{BENCH}[steps]\nacid = "take 1 mL of salt"\n'
    assert "line 7: 'acid' is already the name of the solution in line 2" in _refusal(twice)
    portion = f'{BENCH}[steps]\none = "split acid into salt and B, 2 mL each"\n'
    assert "line 7: step 'one': 'salt' is already the name of what line 3 makes" in _refusal(portion)


@pytest.mark.parametrize(
    ("line", "volumes_ml"),
    [
        ("5 mL 0.1 M acetic acid", [5.0]),
        ("250mL of 0.1 M sodium acetate", [250.0]),
        ("0.5 L 1 mM HCl", [500.0]),
        ("5 drops of 0.1 M HCl", [0.25]),
        ("2 mL water + 5 drops 0.1 M HCl", [2.25]),
        ("5 mL 0.1 M acetic acid; add 5 drops of 0.1 M NaOH to it;", [5.0, 5.25]),
        ("5 mL 0.1 M acetic acid; 2 mL of it", [5.0, 2.0]),
    ],
)
def test_an_amount_that_begins_a_line_is_what_is_taken(line: str, volumes_ml: list[float]) -> None:
    assert [step.volume_ml for step in expect_recipe(line).steps] == pytest.approx(volumes_ml)


def test_drops_into_a_portion_that_begins_a_line() -> None:
    # 5 mL hold 0.5 mmol of acid, of which 5 drops of lye (0.025 mmol) leave 0.475: by Henderson and
    # Hasselbalch 4.756 + log(0.025 / 0.475) = 3.48, and the acid's own dissociation and activity do little.
    step = expect_recipe("5 mL 0.1 M acetic acid; add 5 drops of 0.1 M NaOH to it").steps[-1]
    assert step.ph == pytest.approx(3.48, abs=0.05)


def test_a_line_with_an_unknown_substance_says_where_and_what_to_do() -> None:
    told = r"line 1: step 1: no substance called 'vinegar' is known; a recipe may define it, as \[reagent\.\"vinegar\"\]"
    with pytest.raises(RecipeError, match=told):
        expect_recipe("5 mL 0.1 M vinegar")


@pytest.mark.parametrize("name", ["säure", "ähre"])
def test_names_in_other_languages_are_quoted_or_the_sentence_says_so(name: str) -> None:
    wrong = f'[solutions]\n{name} = "0.1 M acetic acid"\n[steps]\ns = "take 2 mL of {name}"\n'
    with pytest.raises(
        RecipeError, match=r'line 2, column \d: .*; a name with letters such as "ä" must stand in quotes'
    ):
        parse_recipe(wrong)
    right = expect_recipe(wrong.replace(f"{name} =", f'"{name}" ='))
    assert right.steps[0].ph == pytest.approx(ph_of({"acetic acid": 0.1}), abs=1e-6)


def test_files_that_are_no_recipes(tmp_path: Path) -> None:
    path = tmp_path / "bad.toml"
    with pytest.raises(RecipeError, match=r"reading bad\.toml: the file cannot be opened"):
        load_recipe(path)
    path.write_bytes(b'[solutions]\nacid = "0.1 M HCl"\n\xff\xfe')
    with pytest.raises(
        RecipeError, match=r"reading bad\.toml, line 3: the text is not UTF-8; check that it is a recipe"
    ):
        load_recipe(path)
    path.write_bytes(b"# long\n" * 40_000)
    with pytest.raises(RecipeError, match=r"reading bad.toml: a recipe may hold 200 kB"):
        load_recipe(path)
    path.write_bytes(b"")
    with pytest.raises(RecipeError, match="line 1: a recipe needs"):
        load_recipe(path)
    path.write_text("a = " + "[" * 5000, encoding="utf-8")
    with pytest.raises(RecipeError, match="line 1"):
        load_recipe(path)


# ---------------------------------------------------------------- fuzz

_GOOD = (SAMPLES / "acetate.toml").read_text(encoding="utf-8")
# Wounds that always break the line they are dealt to, as (what to look for, what to put there).
_WOUNDS = [
    (r"\d+ mL", "-3 mL"), (r"\d+ mL", "0 mL"), (r"\d+ mL", "1e9 mL"), (r"\d+ mL", "x mL"), (r"\d+ mL", "5"),
    (r"\d+ drops", "-5 drops"), (r"\d+ drops", "many drops"), (r"\d+ drops", "0 drops"),
    (r"0\.1 M", "0.1 W"), (r"0\.1 M", "-0.1 M"), (r"0\.1 M", "0,1 M"), (r"0\.1 M", "99 M"), (r"0\.1 M", ""),
    (r"acetic", "aspetic"), (r"HCl", "HCI"), (r"NaOH", "NaHO"), (r"sodium", "sodum"),
    (r'"$', ""), (r' = "', ' = '), (r' = "', ' "'), (r'"(?=\w)', "5"), (r"^([\w-]+)", r"\1 \1"),
    (r'= ".*"', "= 5"), (r'= ".*"', "= []"), (r'= ".*"', "= {}"), (r'= ".*"', '= ""'),
    (r'= ".*"', "= 1979-05-27"),
    (r"\b(mix|dilute|split|add)\b", "stir"), (r"\b(mix|dilute|split|add) .*", r'\1"'), (r"1:10+", "1:0"),
    (r"(of|to) [\w-]+\"", r'\1 nowhere"'), (r"each", "eech"), (r"equal volumes of ", ""),
]  # fmt: skip
_BREAKABLE = [
    (number, pattern, replacement)
    for number, line in enumerate(_GOOD.split("\n"))
    if "=" in line and not line.startswith(("#", "title", "temperature"))
    for pattern, replacement in _WOUNDS
    if re.search(pattern, line)
]


def test_there_are_enough_wounds() -> None:
    assert len(_BREAKABLE) >= 200


def test_wounded_recipes_name_the_wounded_line() -> None:
    # Every kind of wound at every line it can hit: more than 200 files, each broken in one known place.
    for number, pattern, replacement in _BREAKABLE:
        lines = _GOOD.split("\n")
        lines[number] = re.sub(pattern, replacement, lines[number], count=1)
        try:
            expect_recipe("\n".join(lines))
        except RecipeError as error:
            sentence = str(error)
        else:
            pytest.fail(f"accepted: {lines[number]!r}")
        _check_sentence(sentence)
        assert re.search(rf"line {number + 1}\b", sentence), f"{lines[number]!r}: {sentence}"


def test_scrambled_recipes_never_crash() -> None:
    # Random damage may leave a recipe valid, or move the trouble to a later line: asked is one
    # sentence with a line, never another exception. 300 files, fixed seed.
    rng = random.Random(20240607)
    refused = 0
    for _ in range(300):
        text = list(_GOOD)
        for _ in range(rng.randint(1, 6)):
            place = rng.randrange(len(text))
            kind = rng.randrange(5)
            if kind == 0:
                del text[place : place + rng.randint(1, 12)]
            elif kind == 1:
                text.insert(place, rng.choice('"=[]{}#\\\n\t\x00é-.,0123456789eE:'))
            elif kind == 2:
                text[place] = chr(rng.randrange(1, 0x250))
            elif kind == 3:
                other = rng.randrange(len(text))
                text[place : place + 20], text[other : other + 20] = (
                    text[other : other + 20],
                    text[place : place + 20],
                )
            else:
                text[place:place] = text[place : place + rng.randint(1, 40)]
        try:
            expect_recipe("".join(text) + "\n")
        except RecipeError as error:
            refused += 1
            _check_sentence(str(error))
    assert refused >= 200


def _refusal(text: str) -> str:
    with pytest.raises(RecipeError) as caught:
        expect_recipe(text)
    sentence = str(caught.value)
    _check_sentence(sentence)
    return sentence


def _check_sentence(sentence: str) -> None:
    """One line that says where, in a bearable length."""
    assert re.match(r"reading [^,]+, line \d+(, column \d+|, at its end)?: \S", sentence), sentence
    assert "\n" not in sentence
    assert len(sentence) < 500, sentence
    assert "Traceback" not in sentence


def test_sentences_refuse_nonsense_directly() -> None:
    with pytest.raises(SentenceError, match="must begin with one of"):
        parse_sentence("")
    with pytest.raises(SentenceError, match="a volume such as 250 mL"):
        parse_volume_ml("5 drops")
    assert parse_volume_ml("0.25 L") == 250.0
