"""Experiment files: read, refused line by line, and carried out on the sample."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest
from tubes_made import picture_of, seen

from hueph.chart import Chart
from hueph.chemistry.equilibrium import Conditions
from hueph.chemistry.preparations import prepare
from hueph.comparing.experiment import load_experiment
from hueph.comparing.on_paper import expected_course
from hueph.comparing.running import ExperimentResult, run_experiment
from hueph.comparison_report import comparison_json, comparison_rows, experiment_text
from hueph.errors import InputError, RecipeError
from hueph.results import PhotoReadings

ROOT = Path(__file__).resolve().parents[2]
SAMPLE = ROOT / "samples" / "experiment" / "experiment.toml"

RECIPE = """
[solutions]
acid = "0.1 M acetic acid"
salt = "0.1 M sodium acetate"
still = "boiled distilled water"
[steps]
buffer = "mix 5 mL acid and 5 mL salt"
A = "take 2 mL of buffer"
W = "take 2 mL of still"
"""
PLAN = """
title = "Acetate and water"
chart = "sample-universal-strip"
recipe = "recipe.toml"
[photos]
before = { file = "before.jpg", labels = ["acetate", "water"] }
after = "after.jpg"
[samples.acetate]
start = "before:acetate"
step = "A"
additions = [{ add = "5 drops of 0.1 M NaOH", seen = "after:1" }]
[samples.water]
start = "before:water"
step = "W"
water = true
additions = [{ add = "5 drops of 0.1 M NaOH", seen = "after:2" }]
"""

Reader = Callable[[str, Chart, float], PhotoReadings]


def write(folder: Path, plan: str = PLAN, recipe: str = RECIPE) -> Path:
    (folder / "recipe.toml").write_text(recipe, encoding="utf-8")
    (folder / "plan.toml").write_text(plan, encoding="utf-8")
    return folder / "plan.toml"


def reader(before: tuple[float, ...], after: tuple[float, ...]) -> Reader:
    """Read photographs that hold tubes at these pH."""

    def read(path: str, chart: Chart, coverage: float) -> PhotoReadings:
        name = Path(path).stem
        values = before if name == "before" else after
        tubes = [seen(ph, 0.08, picture=name, tube=number) for number, ph in enumerate(values, start=1)]
        return picture_of(*tubes)

    return read


def test_a_plan_is_carried_out(tmp_path: Path) -> None:
    result = run_experiment(write(tmp_path), read=reader((4.7, 7.0), (4.9, 11.5)))
    acetate, water = result.samples
    assert acetate.stages[0].judgement.verdict == "held"
    assert acetate.stages[0].judgement.as_expected
    assert water.stages[0].judgement.verdict == "exhausted"
    assert acetate.start_ph_expected == pytest.approx(4.67, abs=0.01)
    # Water moved by at least 10 - 7, less what is not sure; the buffer by 0.5 at most.
    low, high = acetate.stages[0].resistance or (None, None)
    assert low is not None
    assert low > 5.0
    assert high is None
    assert water.stages[0].resistance is None
    capacity = acetate.stages[0].capacity
    assert capacity is not None
    assert capacity.added_molar == pytest.approx(0.025 / 2.125, rel=1e-3)


def test_the_text_is_a_table_with_a_sentence_each(tmp_path: Path) -> None:
    result = run_experiment(write(tmp_path), read=reader((4.7, 7.0), (4.9, 11.5)))
    text = experiment_text(result, details=True)
    assert "Acetate and water" in text
    assert "CAUTION" in text
    assert "The buffer held" in text
    assert "There was no buffer to hold" in text
    assert "moved at least" in text


def test_json_and_table_hold_what_the_contract_promises(tmp_path: Path) -> None:
    result = run_experiment(write(tmp_path), read=reader((4.7, 7.0), (4.9, 11.5)))
    known = json.loads(comparison_json(result))
    for pair in known["pairs"]:
        assert {"before", "after", "delta_ph", "range", "coverage", "verdict", "reason"} <= set(pair)
        assert {"tube", "liquid", "ph", "range", "bound", "flags", "lab"} <= set(pair["before"])
    assert known["samples"][0]["expected_ph"] == pytest.approx(4.67, abs=0.01)
    rows = comparison_rows(result)
    assert [row["label"] for row in rows] == ["acetate", "water"]
    assert rows[0]["capacity_theory_m"]


def test_without_a_recipe_the_volume_gives_the_capacity(tmp_path: Path) -> None:
    plan = PLAN.replace('recipe = "recipe.toml"\n', "").replace('step = "A"', "volume_ml = 2.0")
    plan = plan.replace('step = "W"\n', "")
    result = run_experiment(write(tmp_path, plan), read=reader((4.7, 7.0), (4.9, 11.5)))
    stage = result.samples[0].stages[0]
    assert stage.judgement.expected is None
    assert stage.capacity is not None
    assert stage.capacity.added_molar == pytest.approx(0.025 / 2.125, rel=1e-3)
    assert result.samples[1].stages[0].capacity is None


def test_additions_add_up(tmp_path: Path) -> None:
    more = '{ add = "5 drops of 0.1 M NaOH", seen = "after:1" }, { add = "10 drops of 0.1 M NaOH", seen = "after:3" }'
    plan = PLAN.replace('{ add = "5 drops of 0.1 M NaOH", seen = "after:1" }', more)
    result = run_experiment(write(tmp_path, plan), read=reader((4.7, 7.0), (4.9, 11.5, 5.6)))
    first, second = result.samples[0].stages
    assert second.added == "15 drops of 0.1 M NaOH"
    assert first.judgement.expected is not None
    assert second.judgement.expected is not None
    assert second.judgement.expected.after_ph > first.judgement.expected.after_ph
    course = expected_course(load_experiment(tmp_path / "plan.toml"))
    assert [step.ph for step in course["acetate"]][2] == pytest.approx(second.judgement.expected.after_ph)


def test_a_buffer_reaches_as_far_as_the_conditions_of_its_recipe_say(tmp_path: Path) -> None:
    limits = {}
    for activity in ("davies", "ideal"):
        plan = write(tmp_path, recipe=f'activity = "{activity}"\n' + RECIPE)
        stage = run_experiment(plan, read=reader((4.7, 7.0), (4.9, 11.5))).samples[0].stages[0]
        assert stage.judgement.expected is not None
        limits[activity] = stage.judgement.expected.spent_above
    for activity, limit in limits.items():
        # All turned into 0.1 M acetate: its pH is where the buffer is used up, found on a grid.
        alone = prepare({"sodium acetate": 0.1}).equilibrium(Conditions(activity=activity))
        assert limit == pytest.approx(float(alone.ph[0]), abs=0.05)
    assert limits["ideal"] > limits["davies"] + 0.05


def test_a_step_of_the_recipe_may_be_the_addition(tmp_path: Path) -> None:
    recipe = RECIPE + 'A-base = "add 5 drops of 0.1 M NaOH to A"\n'
    plan = PLAN.replace('seen = "after:1" }', 'seen = "after:1", step = "A-base" }')
    result = run_experiment(write(tmp_path, plan, recipe), read=reader((4.7, 7.0), (4.9, 11.5)))
    assert result.samples[0].stages[0].judgement.as_expected


@pytest.mark.parametrize(
    ("old", "new", "match"),
    [
        ('chart = "sample-universal-strip"\n', "", "line 5: no chart is named for the photograph 'before'"),
        (
            '"before:acetate"',
            '"befor:acetate"',
            "line 9: 'befor:acetate' names no photograph .* mean before",
        ),
        ('"before:acetate"', '"before:citrate"', "has no tube labelled 'citrate'"),
        ('"before:acetate"', '"before"', "a tube is written photo:number or photo:label"),
        ('"before:acetate"', "7", "'start' must name a tube"),
        ('"5 drops of 0.1 M NaOH", seen = "after:1"', '"some base", seen = "after:1"', "must be an amount"),
        ('"5 drops of 0.1 M NaOH", seen = "after:1"', '"5 drops of 0.1 M NaOH"', "'seen' must name a tube"),
        ("water = true", 'water = "yes"', "'water' must be true or false"),
        ('step = "A"', 'step = "B"', "no step or portion 'B'; it has A, W, buffer"),
        ("title =", "tittle =", "the key 'tittle' is not known here"),
        ('title = "Acetate and water"', "coverage = 3", "'coverage' must be a number from 0.01"),
        ('after = "after.jpg"', "after = 3", "the photograph 'after' must be a file name"),
        ('after = "after.jpg"', 'after = { chart = "x" }', "the photograph 'after' needs a file"),
        ('labels = ["acetate", "water"]', 'labels = "acetate"', "the labels of 'before' must be a list"),
        ("[samples.acetate]", "[sample.acetate]", "the key 'sample' is not known here"),
        ("additions = [{", "additions = [3, {", "'additions' must be a list"),
        ('"before:acetate"', '["before:1", "before:1"]', "'before:1' stands there twice"),
        ('"before:acetate"', '"before:0"', "line 9: the tube 'before:0' is no tube"),
        (
            '"before:acetate"',
            '"before:9"',
            "following 'acetate' of plan.toml: taking tube 9 of before.jpg: 2 were",
        ),
        (
            'seen = "after:1"',
            'seen = "before:1"',
            "line 11: the tube 'before:1' is the start of acetate already",
        ),
        ('"before:water"', '"before:1"', "line 13: the tube 'before:1' is the start of acetate already"),
        ('seen = "after:2"', 'seen = "after:1"', "'after:1' is acetate after 5 drops of 0.1 M NaOH already"),
        (
            'labels = ["acetate", "water"]',
            'labels = ["x", "x"]',
            "the label 'x' of 'before' stands there twice",
        ),
        (
            'labels = ["acetate", "water"]',
            'labels = ["2", "1"]',
            "the label '2' of 'before' could be a tube's",
        ),
        ("5 drops of 0.1 M NaOH", "5 drps of 0.1 M NaOH", "line 11: what was added, .* needs a unit"),
        (
            "5 drops of 0.1 M NaOH",
            "5 drops of 0.1 M NaHO",
            "line 11: what was added: no substance called 'NaHO'",
        ),
        ("5 drops of 0.1 M NaOH", "5 drops of lye", "line 11: what was added: nothing called 'lye'"),
    ],
)
def test_bad_plans_are_refused_with_the_line(tmp_path: Path, old: str, new: str, match: str) -> None:
    assert old in PLAN
    with pytest.raises((RecipeError, InputError), match=match):
        run_experiment(write(tmp_path, PLAN.replace(old, new, 1)), read=reader((4.7, 7.0), (4.9, 11.5)))


def test_the_line_of_each_addition_is_named(tmp_path: Path) -> None:
    good = '{ add = "1 drop of 0.1 M HCl", seen = "after:3" }, # { not a table'
    bad = '{ add = "some", seen = "after:4" }'
    plan = PLAN.replace("additions = [{", f"additions = [\n{good}\n{bad},\n{{", 1)
    with pytest.raises(RecipeError, match=r"line 13: what was added must be an amount"):
        load_experiment(write(tmp_path, plan))
    # Written as tables of their own, the additions are all there too.
    tables = '[[samples.acetate.additions]]\nadd = "1 drop of 0.1 M HCl"\nseen = "after:1"\n'
    plan = PLAN.replace('additions = [{ add = "5 drops of 0.1 M NaOH", seen = "after:1" }]\n', tables * 2, 1)
    plan = plan.replace("after:1", "after:3", 1)
    assert len(load_experiment(write(tmp_path, plan)).samples[0].additions) == 2


def test_a_recipe_in_the_place_of_a_plan_is_named_as_one(tmp_path: Path) -> None:
    with pytest.raises(RecipeError, match=r"recipe\.toml: this is a recipe; an experiment file has sections"):
        load_experiment(write(tmp_path).with_name("recipe.toml"))


def test_the_example_of_the_readme_is_a_plan(tmp_path: Path) -> None:
    readme = (ROOT / "README.md").read_text(encoding="utf-8")
    (text,) = (
        block for block in readme.split("```toml\n")[1:] if "[samples.citrate]" in block.split("```")[0]
    )
    (tmp_path / "plan.toml").write_text(text.split("```")[0], encoding="utf-8")
    plan = load_experiment(tmp_path / "plan.toml")
    assert [len(sample.additions) for sample in plan.samples] == [2, 1]
    assert plan.samples[0].start[1].photo == "again"


def test_files_that_are_no_plans_are_refused(tmp_path: Path) -> None:
    with pytest.raises(RecipeError, match="cannot be opened"):
        load_experiment(tmp_path / "nothing.toml")
    (tmp_path / "raw.toml").write_bytes(b"\xff\xfe\x00")
    with pytest.raises(RecipeError, match="not UTF-8"):
        load_experiment(tmp_path / "raw.toml")
    (tmp_path / "big.toml").write_bytes(b"# " + b"x" * 200_001)
    with pytest.raises(RecipeError, match="200 kB"):
        load_experiment(tmp_path / "big.toml")
    (tmp_path / "broken.toml").write_text("title = ", encoding="utf-8")
    with pytest.raises(RecipeError, match="line 1"):
        load_experiment(tmp_path / "broken.toml")


def test_labels_must_fit_the_tubes_found(tmp_path: Path) -> None:
    with pytest.raises(RecipeError, match="'before' has 2 labels, but 3 tubes were found"):
        run_experiment(write(tmp_path), read=reader((4.7, 7.0, 8.0), (4.9, 11.5)))


# ---------------------------------------------------------------- the sample


@pytest.fixture(scope="module")
def sample() -> ExperimentResult:
    """The worked experiment of the README."""
    return run_experiment(SAMPLE)


def test_the_sample_says_what_its_truth_says(sample: ExperimentResult) -> None:
    truth = {
        (Path(photo["file"]).stem, tube["sample"]): tube["ph"]
        for photo in json.loads((SAMPLE.parent / "truth.json").read_text(encoding="utf-8"))
        for tube in photo["tubes"]
    }
    held = 0
    for result in sample.samples:
        for stage, photo in zip(result.stages, ("acid-5", "acid-20"), strict=True):
            real = truth[photo, result.sample.name] - truth["start", result.sample.name]
            assert stage.change.interval is not None
            held += stage.change.interval.contains(real)
            # A verdict may be withheld, but not wrong.
            if stage.judgement.verdict == "held":
                assert abs(real) < 1.0
            if stage.judgement.verdict == "exhausted":
                assert abs(real) > 2.0
    assert held >= 7


def test_the_sample_is_decided(sample: ExperimentResult) -> None:
    verdicts = {
        result.sample.name: [stage.judgement.verdict for stage in result.stages] for result in sample.samples
    }
    assert verdicts["water"] == ["exhausted", "exhausted"]
    # Five drops leave the thin buffer at 3.3, in light that is flagged: whether 4.7 was passed may stay open.
    assert verdicts["thin-phosphate"][0] in ("shifted", "exhausted")
    assert verdicts["thin-phosphate"][1] == "exhausted"
    assert "shifted" not in verdicts["phosphate"]
    assert "exhausted" not in verdicts["phosphate"] + verdicts["citrate"]


# ---------------------------------------------------------------- replicates and portions

PORTIONS = """
title = "Which side of neutral?"
[photos]
blue = { file = "blue.jpg", chart = "sample-bromothymol-blue-row" }
red = { file = "red.jpg", chart = "sample-phenol-red-row" }
blue-later = { file = "blue-later.jpg", chart = "sample-bromothymol-blue-row" }
red-later = { file = "red-later.jpg", chart = "sample-phenol-red-row" }
[samples.line]
start = ["blue:1", "red:1"]
additions = [{ add = "2 drops of 0.1 M NaOH", seen = ["blue-later:1", "red-later:1"] }]
[samples.rinse]
start = ["blue:2", "blue:3", "blue:4"]
"""


def test_portions_with_two_indicators_are_combined_and_conflicts_are_said(tmp_path: Path) -> None:
    read = {
        "blue": (7.2, 6.8, 6.8, 7.5),
        "red": (7.3,),
        "blue-later": (7.4,),
        "red-later": (8.6,),
    }

    def reader(path: str, chart: Chart, coverage: float) -> PhotoReadings:
        name = Path(path).stem
        reach = (chart.patches[0].ph, chart.patches[-1].ph)
        tubes = [
            seen(ph, 0.1, picture=name, chart=chart.name, card=reach, tube=number)
            for number, ph in enumerate(read[name], start=1)
        ]
        return replace(picture_of(*tubes), patches=())

    result = run_experiment(write(tmp_path, PORTIONS), read=reader)
    line, rinse = result.samples
    alone = seen(7.2, 0.1, card=(6.0, 8.0)).reading.interval
    both = line.start.observation.reading
    assert both.ph == pytest.approx(7.25, abs=0.03)
    assert both.interval is not None
    assert alone is not None
    assert both.interval.width < 0.9 * alone.width
    # Blue says 7.4, red says 8.6: no value, and the reason why.
    (stage,) = line.stages
    assert stage.change.after.reading.ph is None
    assert "exclude each other" in stage.notes[0]
    assert stage.judgement.verdict == "undecided"
    # Three replicates, one of which disagrees with both others.
    assert rinse.start.observation.reading.ph == pytest.approx(6.8, abs=0.05)
    assert "tube 4 of blue.jpg (pH 7.5" in rinse.start.outliers[0]
    text = experiment_text(result)
    assert "3 readings before the addition are combined" in text
    assert "was left out: it disagrees with all the others" in text
    known = json.loads(comparison_json(result))
    assert known["samples"][1]["replicates"] == 3
    assert len(known["samples"][1]["outliers"]) == 1
