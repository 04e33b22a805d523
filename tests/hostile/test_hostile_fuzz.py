"""Damaged files of every kind hueph reads: a valid result or one documented sentence, nothing else.

The ordinary run is short and the same every time. A long one, with new damage each time:

    HUEPH_FUZZ_EXAMPLES=5000 pytest tests/hostile/test_hostile_fuzz.py
"""

from __future__ import annotations

import os
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hostile.generate import good_files, plain_picture
from hostile.mutations import damaged_bytes, damaged_text
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from hueph._chart_file import dump_chart, parse_chart
from hueph._expecting_tubes import parse_expect
from hueph.chart import Marker, Reference, Standard, StandardPhoto, load_chart
from hueph.charting.calibrate import parse_ph_list
from hueph.chemistry.expectation import expect_recipe
from hueph.chemistry.recipe import parse_one_liner, parse_recipe
from hueph.comparing.experiment import load_experiment
from hueph.comparing.pairing import parse_labels, parse_pairs
from hueph.errors import ChartError, HuephError, InputError, PhotoError, RecipeError
from hueph.photo import load_photo
from hueph.synthetic import encode_photo

ROOT = Path(__file__).resolve().parents[2]
WANTED = os.environ.get("HUEPH_FUZZ_EXAMPLES")
# One damaged file may not take longer than this, of this program's own time.
SECONDS = 20.0
WORDS = (
    "take", "mix", "dilute", "add", "split", "titrate", "of", "to", "and", "with", "drops", "drop", "mL", "L", "g",
    "2", "0.1", "5", "1e9", "0", "-3", "M", "mM", "%", "HCl", "NaOH", "acetic acid", "water", "it", "half", "+", ";",
    "into", "tubes", "acid", "KH2PO4", "until", "pH", "7", "repeat", "times", "°C", ",",
)  # fmt: skip


def fuzzed(share: float = 1.0) -> Callable[[Any], Any]:
    """Settings: as many examples as asked for, else a share of 80, always the same."""
    examples = int(WANTED) if WANTED else max(int(80 * share), 10)
    return settings(
        max_examples=examples,
        derandomize=not WANTED,
        database=None,
        deadline=None,
        suppress_health_check=list(HealthCheck),
    )


def pictures() -> dict[str, bytes]:
    """Small good pictures of every kind that is read, some with EXIF and profile."""
    small = np.ascontiguousarray(plain_picture()[:48, :64])
    made = dict(good_files())
    made["turned-p3.jpg"] = encode_photo(small, display_p3=True, orientation=6)
    made["turned-p3.heic"] = encode_photo(small, display_p3=True, orientation=3, file_format="HEIC")
    made["p3.png"] = encode_photo(small, display_p3=True, file_format="PNG")
    return made


def texts(*patterns: str) -> dict[str, str]:
    """Good texts of the shipped samples, by name."""
    found = sorted(path for pattern in patterns for path in ROOT.glob(pattern))
    assert found
    return {str(path.relative_to(ROOT)): path.read_text(encoding="utf-8") for path in found}


def charts() -> dict[str, str]:
    """Good chart files: the shipped ones, and one with markers, greys and standards."""
    made = texts("reference_charts/*/chart.toml", "samples/experiment/chart.toml")
    plain = load_chart(ROOT / "reference_charts/sample-phenol-red-row/chart.toml")
    square = ((1.0, 1.0), (9.0, 1.0), (9.0, 9.0), (1.0, 9.0))
    photo = StandardPhoto(
        file="buffers.jpg",
        sha256="ab" * 32,
        to_linear_srgb=(1.0, 0.0, 0.0, 0.0, 1.0, 0.0, 0.0, 0.0, 1.0),
        paper_level=0.8,
        patch_ph=tuple(patch.ph for patch in plain.patches),
        patches=tuple((0.6, 0.4, 0.2) for _ in plain.patches),
    )
    standard = Standard(
        photo=1,
        tube=1,
        at=(310.0, 700.0),
        ph=7.0,
        ph_std=0.02,
        liquid=(0.7, 0.3, 0.1),
        backing=(0.8, 0.8, 0.8),
        glass=None,
        noise=0.004,
        dark=(0.0, 0.0, 0.0),
        bright=(0.0, 0.0, 0.0),
    )
    full = replace(
        plain,
        dictionary="any",
        markers=(Marker(3, square),),
        references=(Reference("grey", (50.0, 0.0, 0.0), 1.0, square),),
        standard_photos=(photo,),
        standards=(standard,),
    )
    made["full.toml"] = dump_chart(full)
    return made


def one_sentence(kind: type[HuephError], work: Callable[[], Any]) -> Any:
    """Return what `work` makes, or None when it ends in one sentence of the expected kind."""
    begun = time.process_time()
    try:
        result = work()
    except kind as error:
        said = str(error)
        assert said.strip()
        assert "\n" not in said
        assert "Traceback" not in said
        result = None
    assert time.process_time() - begun < SECONDS
    return result


@given(file=damaged_bytes(pictures()))
@fuzzed(3.0)
def test_damaged_pictures(tmp_path_factory: pytest.TempPathFactory, file: tuple[str, bytes]) -> None:
    name, data = file
    path = tmp_path_factory.getbasetemp() / f"damaged-{name}"
    path.write_bytes(data)
    photo = one_sentence(PhotoError, lambda: load_photo(path))
    if photo is not None:
        assert photo.encoded.shape[2] == 3
        assert np.isfinite(photo.linear()).all()


@given(file=damaged_text(charts()))
@fuzzed(2.5)
def test_damaged_charts(file: tuple[str, str]) -> None:
    chart = one_sentence(ChartError, lambda: parse_chart(file[1], "chart.toml"))
    if chart is not None:
        assert np.isfinite(chart[0].lab).all()
        assert np.isfinite(chart[0].corners).all()


@given(file=damaged_text(texts("samples/recipes/*.toml", "samples/experiment/buffers.toml")))
@fuzzed(0.8)
def test_damaged_recipes(file: tuple[str, str]) -> None:
    recipe = one_sentence(RecipeError, lambda: parse_recipe(file[1]))
    if recipe is not None:
        made = one_sentence(HuephError, lambda: expect_recipe(recipe))
        assert made is None or all(np.isfinite(step.ph) for step in made.steps)


@given(words=st.lists(st.sampled_from(WORDS), max_size=14))
@example(words=[])
@fuzzed(2.0)
def test_scrambled_sentences(words: list[str]) -> None:
    one_sentence(RecipeError, lambda: parse_one_liner(" ".join(words)))


@given(file=damaged_text(texts("samples/experiment/experiment.toml")))
@fuzzed(2.0)
def test_damaged_experiments(tmp_path_factory: pytest.TempPathFactory, file: tuple[str, str]) -> None:
    path = tmp_path_factory.getbasetemp() / "damaged-experiment.toml"
    path.write_text(file[1], encoding="utf-8", errors="surrogatepass", newline="")
    one_sentence(RecipeError, lambda: load_experiment(path))


@pytest.mark.parametrize(
    ("parse", "kind"),
    [
        (parse_ph_list, HuephError),
        (parse_expect, HuephError),
        (lambda text: parse_pairs([text]), InputError),
        (parse_labels, InputError),
    ],
    ids=["list of pH", "expected tubes", "pairs", "labels"],
)
def test_odd_options(parse: Callable[[str], Any], kind: type[HuephError]) -> None:
    # A long run found the first: a control character that a regular expression takes for a blank.
    @example(text="0\x1f")
    @example(text="a=1\x1f")
    @example(text="\u0661:2")
    @given(text=st.one_of(st.text(max_size=20), st.text(alphabet="0123456789.,:-=+ e\u2212@/", max_size=16)))
    @fuzzed(1.0)
    def run(text: str) -> None:
        one_sentence(kind, lambda: parse(text))

    run()


def test_the_files_that_are_damaged_were_good(tmp_path: Path) -> None:
    for text in charts().values():
        parse_chart(text, "chart.toml")
    for text in texts("samples/recipes/*.toml", "samples/experiment/buffers.toml").values():
        parse_recipe(text)
    for name, data in pictures().items():
        (tmp_path / name).write_bytes(data)
        assert load_photo(tmp_path / name).encoded.size
