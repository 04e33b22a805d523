"""The computed reference charts: where they turn, what they say of themselves, and that their cards can be read."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest
from skimage.color import deltaE_ciede2000, lab2lch, lab2rgb

from hueph import Chart, load_chart, read_photo
from hueph.cards import plan_card
from hueph.cards.write import FORMATS
from hueph.photo import photo_from_array
from hueph.shipped import find_chart
from hueph.synthetic.card import liquid_srgb_linear
from hueph.synthetic.dyes import make_indicator

# Transition ranges: Alberta Education, Chemistry Data Booklet, p. 10, 298.15 K; where other tables differ (methyl red 4.2
# to 6.3, phenol red 6.4 to 8.4) the union of both.
RANGES = {
    "methyl-orange": (3.2, 4.4),
    "bromocresol-green": (3.8, 5.4),
    "methyl-red": (4.2, 6.3),
    "bromothymol-blue": (6.0, 7.6),
    "phenol-red": (6.4, 8.4),
    "phenolphthalein": (8.2, 10.0),
    "thymol-blue": (8.0, 9.6),
}
NAMES = (*RANGES, "universal-indicator", "red-cabbage")


def chart(name: str) -> Chart:
    """A shipped chart by its name."""
    return load_chart(find_chart(name))


@pytest.mark.parametrize("name", NAMES)
def test_each_says_that_it_is_computed_and_how_unsure_it_is(name: str) -> None:
    known = chart(name)
    assert known.provenance.startswith("computed, not measured: ")
    assert "memory" in known.provenance
    assert min(patch.delta_e_std for patch in known.patches) > 4.0  # no print of it was ever measured
    assert known.markers
    for paper in ("A4", "Letter"):
        data = (find_chart(name).parent / f"card-{paper}.pdf").read_bytes()
        assert data.startswith(b"%PDF")
        assert len(data) < 8000


@pytest.mark.parametrize(("name", "limits"), RANGES.items())
def test_one_dye_turns_within_its_handbook_range(name: str, limits: tuple[float, float]) -> None:
    known = chart(name)
    steps = deltaE_ciede2000(known.lab[:-1], known.lab[1:])
    middle = (known.ph[:-1] + known.ph[1:]) / 2
    share = np.cumsum(steps) / steps.sum()
    low, high = limits
    # Half of the change of colour lies behind and half before a pH inside the range ...
    assert low < float(np.interp(0.5, share, known.ph[1:])) < high
    # ... the steepest step lies in it, and the chart reaches beyond it on the side that is printed.
    assert low - 0.2 <= float(middle[int(np.argmax(steps))]) <= high + 0.2
    assert known.ph[0] <= low
    assert known.ph[-1] >= high


def test_the_universal_indicator_goes_through_the_rainbow() -> None:
    known = chart("universal-indicator")
    hue = np.rad2deg(lab2lch(known.lab)[:, 2])
    assert (np.diff(hue) > -1.0).all()  # orange, yellow, green, blue, violet: one way round
    assert 20 < hue[0] < 75
    assert hue[-1] > 270
    green = hue[known.ph == 7.0][0]
    assert 110 < green < 200


def test_phenolphthalein_is_colourless_at_its_acid_end() -> None:
    lab = chart("phenolphthalein").lab
    assert np.hypot(lab[0, 1], lab[0, 2]) < 4
    assert np.hypot(lab[-1, 1], lab[-1, 2]) > 60


@pytest.mark.parametrize(("name", "ph"), [("bromothymol-blue", 6.8), ("universal-indicator", 7.2)])
def test_a_tube_before_the_printed_card_is_read(name: str, ph: float) -> None:
    known = chart(name)
    amounts = {"bromothymol blue": 1.0} if name == "bromothymol-blue" else None
    picture, box = bench(known, ph, amounts)
    reading = next(iter(read_photo(photo_from_array(picture), known, tubes=[box])))
    assert reading.interval is not None
    low, high = reading.interval.low, reading.interval.high
    assert low is None or low <= ph
    assert high is None or ph <= high
    if reading.ph is not None:
        assert abs(reading.ph - ph) < 0.35


def bench(known: Chart, ph: float, amounts: Any) -> tuple[Any, tuple[float, float, float, float]]:
    """The card with a flat sample of liquid before its white area, photographed; and where the sample is."""
    from hueph.synthetic.dyes import MIXTURES

    page = plan_card(known).page
    flat = cv2.imdecode(np.frombuffer(FORMATS[".png"](page), np.uint8), cv2.IMREAD_COLOR)[..., ::-1]
    flat = cv2.resize(flat, (1188, 840), interpolation=cv2.INTER_AREA)
    span = (float(known.ph[0]), float(known.ph[-1]))
    mixture = make_indicator(name="made", amounts=amounts or MIXTURES["four-dye classical"], span=span)
    liquid = np.maximum(liquid_srgb_linear(mixture, np.array([ph]), 1.0)[0], 0.0)
    encoded = np.where(liquid < 0.0031308, 12.92 * liquid, 1.055 * liquid ** (1 / 2.4) - 0.055)
    flat = flat.copy()
    flat[330:600, 560:640] = np.rint(255 * np.clip(encoded, 0, 1))
    noise = np.random.default_rng(2).normal(0, 1.2, flat.shape)
    lamp = np.linspace(0.92, 0.8, flat.shape[1])[None, :, None] * np.array([1.0, 0.97, 0.92])
    seen = np.clip(cv2.GaussianBlur(flat * lamp, (0, 0), 0.7) + noise, 0, 255).astype(np.uint8)
    return np.ascontiguousarray(seen), (560.0, 330.0, 80.0, 270.0)


def test_the_shipped_files_are_what_the_model_gives() -> None:
    known = chart("bromothymol-blue")  # whose colours sRGB holds, all of them
    mixture = make_indicator(
        "bromothymol blue", {"bromothymol blue": 1.0}, (float(known.ph[0]), float(known.ph[-1]))
    )
    # The printer's white is the paper, of 0.85, and no channel of a print is lighter.
    linear = 0.85 * np.clip(liquid_srgb_linear(mixture, known.ph, 1.0), 0.0, 1.0)
    shown = lab2rgb(known.lab[None])[0]
    encoded = np.where(linear < 0.0031308, 12.92 * linear, 1.055 * linear ** (1 / 2.4) - 0.055)
    assert np.abs(shown - encoded).max() < 1.5 / 255


def test_no_measured_spectrum_is_shipped() -> None:
    folder = Path(find_chart("phenol-red")).parents[1]
    assert {file.suffix for file in folder.rglob("*") if file.is_file()} <= {".toml", ".pdf"}
