"""The printable card, looked at with other programs' eyes: OpenCV's markers, Pillow, the PDF's own numbers."""

from __future__ import annotations

import json
import re
import zlib
from dataclasses import replace
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

import cv2
import numpy as np
import pytest
from PIL import Image
from skimage.color import deltaE_ciede2000, lab2xyz, rgb2lab, xyz2lab

from hueph import Chart, ChartError, Patch, load_chart
from hueph.cards import plan_card, write_card
from hueph.cards.inks import printable
from hueph.charting import calibrate_card, check_drift
from hueph.cli import main
from hueph.errors import InputError
from hueph.shipped import find_chart

PX_PER_MM = 300 / 25.4
# IEC 61966-2-1, linear sRGB to XYZ.
SRGB_TO_XYZ = ((0.4124, 0.3576, 0.1805), (0.2126, 0.7152, 0.0722), (0.0193, 0.1192, 0.9505))
CHARTS = ("sample-universal-row", "sample-bromothymol-blue-row")


@pytest.fixture(scope="module")
def cards(tmp_path_factory: pytest.TempPathFactory) -> dict[tuple[str, str], tuple[Path, Chart]]:
    """PNG and chart file of each card."""
    folder = tmp_path_factory.mktemp("cards")
    made = {}
    for name, paper in ((CHARTS[0], "A4"), (CHARTS[1], "Letter")):
        file = folder / f"{name}-{paper}.png"
        drawn = load_chart(find_chart(name))
        made[name, paper] = file, write_card(drawn, file, paper=paper, chart_path=file.with_suffix(".toml"))
    return made


def markers(picture: np.ndarray, card: Chart) -> dict[int, np.ndarray]:
    """Corners of the markers that OpenCV sees."""
    dictionary = cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, card.dictionary))
    corners, numbers, _ = cv2.aruco.ArucoDetector(dictionary).detectMarkers(picture)
    return {int(n): c.reshape(4, 2) for n, c in zip(numbers.ravel(), corners, strict=True)}


@pytest.mark.parametrize(("name", "paper"), [(CHARTS[0], "A4"), (CHARTS[1], "Letter")])
def test_markers_are_seen_where_the_chart_file_says(
    cards: dict[tuple[str, str], tuple[Path, Chart]], name: str, paper: str
) -> None:
    file, card = cards[name, paper]
    grey = cv2.imread(str(file), cv2.IMREAD_GRAYSCALE)
    seen = markers(cv2.resize(grey, None, fx=0.3, fy=0.3, interpolation=cv2.INTER_AREA), card)
    assert sorted(seen) == sorted(marker.id for marker in card.markers)
    for marker in card.markers:
        expected = np.array(marker.corners) * PX_PER_MM * 0.3
        assert np.abs(seen[marker.id] - expected).max() < 1.6


def test_markers_are_seen_at_a_slant(cards: dict[tuple[str, str], tuple[Path, Chart]]) -> None:
    file, card = cards[CHARTS[0], "A4"]
    picture = cv2.resize(cv2.imread(str(file)), (891, 630), interpolation=cv2.INTER_AREA)
    source = np.array([[0, 0], [891, 0], [891, 630], [0, 630]], np.float32)
    target = np.array([[150, 90], [960, 180], [880, 700], [60, 610]], np.float32)
    view = cv2.getPerspectiveTransform(source, target)
    slanted = cv2.warpPerspective(picture, view, (1024, 768), borderValue=(90, 110, 120))
    seen = markers(slanted, card)
    assert sorted(seen) == sorted(marker.id for marker in card.markers)
    for marker in card.markers:
        corners = np.array(marker.corners)[None] * 3.0
        assert np.abs(seen[marker.id] - cv2.perspectiveTransform(corners, view)[0]).max() < 2.5


def test_the_ruler_is_one_hundred_millimetres_in_the_svg(tmp_path: Path) -> None:
    write_card(load_chart(find_chart(CHARTS[0])), tmp_path / "card.svg")
    root = ElementTree.parse(tmp_path / "card.svg").getroot()
    assert (root.get("width"), root.get("viewBox")) == (
        "297mm",
        "0 0 297 210",
    )  # so one unit is one millimetre
    space = "{http://www.w3.org/2000/svg}"
    lengths = [float(line.get("x2", 0)) - float(line.get("x1", 0)) for line in root.iter(f"{space}line")]
    assert lengths.count(100.0) == 1
    words = [text.text for text in root.iter(f"{space}text")]
    assert {"100 mm", "printed on", "batch"} <= set(words)
    assert {f"{0.5 * k:g}" for k in range(8, 21)} <= set(words)


@pytest.mark.parametrize(("paper", "size"), [("A4", (841.89, 595.28)), ("Letter", (792.0, 612.0))])
def test_the_ruler_is_one_hundred_millimetres_in_the_pdf(
    tmp_path: Path, paper: str, size: tuple[float, float]
) -> None:
    write_card(load_chart(find_chart(CHARTS[0])), tmp_path / "card.pdf", paper=paper)
    data = (tmp_path / "card.pdf").read_bytes()
    box = re.search(rb"/MediaBox \[ 0 0 ([\d.]+) ([\d.]+) \]", data)
    assert box is not None
    assert [float(value) for value in box.groups()] == pytest.approx(size, abs=0.02)
    stream = re.search(rb"stream\r?\n(.*?)endstream", data, re.DOTALL)
    assert stream is not None
    page = _unpacked(stream[1].strip())
    scale = re.search(r"([\d.]+) 0 0 ([\d.]+) 0 0 cm", page.split("\n", 3)[-1]) or re.search(
        r"(2\.83\d+) 0 0 (2\.83\d+) 0 0 cm", page
    )
    assert scale is not None
    lines = re.findall(r"([\d.]+) ([\d.]+) m ([\d.]+) ([\d.]+) l", page)
    lengths = [float(x1) - float(x0) for x0, y0, x1, y1 in lines if y0 == y1]
    ruler = max(lengths)
    assert ruler * float(scale[1]) == pytest.approx(100 / 25.4 * 72, abs=0.01)


def _unpacked(stream: bytes) -> str:
    """A page's drawing, as reportlab packs it: base 85, then deflate."""
    import base64

    return zlib.decompress(base64.a85decode(stream, adobe=False) if stream[-2:] != b"~>" else
                           base64.a85decode(b"<~" + stream, adobe=True)).decode("latin-1")  # fmt: skip


def test_layout_has_what_a_reading_needs() -> None:
    card = plan_card(load_chart(find_chart(CHARTS[0]))).chart
    greys = np.array([item.lab for item in card.references if item.kind == "grey"])
    assert len(greys) >= 6
    assert np.abs(greys[:, 1:]).max() < 0.5
    assert (np.diff(greys[:, 0]) > 5).all()
    colours = np.array([item.lab for item in card.references if item.kind == "colour"])
    # The patches' colours lie within the polygon of the saturated ones in the a*b* plane.
    hull = cv2.convexHull(colours[:, 1:].astype(np.float32))
    for patch in card.patches:
        assert cv2.pointPolygonTest(hull, (patch.lab[1], patch.lab[2]), False) >= 0
    places = np.array([np.array(i.corners) for i in (*card.patches, *card.references, *card.markers)])
    assert places.min() >= 9.9  # printers leave a rim blank
    assert (places.max(axis=(0, 1)) <= np.array(card.card_size) - 9.9).all()
    low, high = places.min(axis=1), places.max(axis=1)
    for k in range(len(places)):
        others = np.arange(len(places)) != k
        apart = np.maximum(low[k] - high[others], low[others] - high[k]).max(axis=1)
        # White around markers: at least one cell (a sixth of the side); gaps elsewhere.
        least = 18.0 / 6 if k >= len(places) - 4 else 2.0
        assert apart.min() >= least


def test_white_stays_white_where_tubes_stand(cards: dict[tuple[str, str], tuple[Path, Chart]]) -> None:
    file, card = cards[CHARTS[0], "A4"]
    picture = np.asarray(Image.open(file).convert("RGB"))
    bottom = max(corner[1] for patch in card.patches for corner in patch.corners)
    area = picture[
        int((bottom + 12) * PX_PER_MM) : int(209 * PX_PER_MM), int(45 * PX_PER_MM) : int(250 * PX_PER_MM)
    ]
    assert (area == 255).all()
    assert area.shape[0] > 120 * PX_PER_MM


def on_white(chart: Chart) -> Any:
    """Colours of the patches over that of their paper, CIELAB."""
    xyz = lab2xyz(chart.lab) / lab2xyz(np.array(chart.paper_lab)) * lab2xyz(np.array([100.0, 0.0, 0.0]))
    return xyz2lab(xyz)


def test_the_card_as_drawn_has_not_drifted(cards: dict[tuple[str, str], tuple[Path, Chart]]) -> None:
    file, card = cards[CHARTS[0], "A4"]
    report = check_drift(card, [file])
    assert report.verdict == "fit"
    assert report.delta_e.max() < 0.6


@pytest.mark.parametrize(("name", "paper"), [(CHARTS[0], "A4"), (CHARTS[1], "Letter")])
def test_calibrate_reads_the_card_back(
    cards: dict[tuple[str, str], tuple[Path, Chart]], name: str, paper: str, tmp_path: Path
) -> None:
    file, card = cards[name, paper]
    out = tmp_path / "printed.toml"
    words = ["calibrate", str(file), "--card", str(file.with_suffix(".toml")), "-o", str(out), "--batch", "7"]
    assert main(words) == 0
    printed = load_chart(out)
    drawn = load_chart(find_chart(name))
    assert printed.ph.tolist() == drawn.ph.tolist()
    assert printed.batch == "7"
    assert printed.markers == card.markers
    # The page's white is the paper; in the files colours are those on their paper. What is lighter and more
    # saturated than any ink on it (pale oranges) is drawn as near as can be, and the card's file says so.
    assert deltaE_ciede2000(on_white(printed), on_white(card)).max() < 0.6
    assert np.median(deltaE_ciede2000(on_white(printed), on_white(drawn))) < 0.6
    pixels = np.asarray(Image.open(file).convert("RGB"))
    for item in printed.references:
        x, y = np.array(item.corners).mean(axis=0) * PX_PER_MM
        shown = rgb2lab(pixels[int(y) : int(y) + 1, int(x) : int(x) + 1] / 255.0)[0, 0]
        assert deltaE_ciede2000(np.array(item.lab), shown) < 0.6


def test_a_print_that_differs_is_measured_and_drift_is_told(
    cards: dict[tuple[str, str], tuple[Path, Chart]],
) -> None:
    file, card = cards[CHARTS[0], "A4"]
    scan = cv2.resize(cv2.imread(str(file))[..., ::-1], (1485, 1050), interpolation=cv2.INTER_AREA)
    faded = np.rint(255 - 0.7 * (255.0 - scan)).astype(np.uint8)
    made = calibrate_card(card, [faded])
    shown = [
        rgb2lab(faded[int(y) : int(y) + 1, int(x) : int(x) + 1] / 255.0)[0, 0]
        for x, y in np.array([np.mean(patch.corners, axis=0) for patch in card.patches]) * 5.0
    ]
    assert deltaE_ciede2000(made.chart.lab, np.array(shown)).max() < 0.6
    assert check_drift(made.chart, [faded]).verdict == "fit"
    assert check_drift(card, [faded]).delta_e.min() > 3


def test_refusals_of_the_card(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    drawn = load_chart(find_chart(CHARTS[0]))
    with pytest.raises(InputError, match=r"a card is printed on A4 or Letter, got 'A5'"):
        plan_card(drawn, paper="A5")
    many = tuple(Patch(0.1 * k, (50.0, 0.0, 0.0), 1.0, drawn.patches[0].corners) for k in range(40))
    with pytest.raises(InputError, match=r"a card holds at most 32 patches, .* has 40"):
        plan_card(replace(drawn, patches=many))
    with pytest.raises(ChartError, match=r"a card is written as .pdf, .png, .svg, got card.bmp"):
        write_card(drawn, tmp_path / "card.bmp")
    with pytest.raises(InputError, match="has no markers: it is no card of hueph"):
        calibrate_card(drawn, [np.full((50, 50, 3), 200, np.uint8)])
    with pytest.raises(ChartError, match="0 of 4 corner markers"):
        calibrate_card(plan_card(drawn).chart, [np.full((300, 400, 3), 200, np.uint8)])
    (tmp_path / "card.svg").write_text("mine")
    words = ["card", "--chart", CHARTS[0], "-o", str(tmp_path / "card.svg")]
    assert main(words) == 1
    assert "never overwritten unasked" in capsys.readouterr().err
    assert (tmp_path / "card.svg").read_text() == "mine"
    own = tmp_path / "own.toml"
    own.write_bytes(find_chart(CHARTS[0]).read_bytes())
    over = ["card", "--chart", str(own), "--force", "-o"]
    for more in ([str(tmp_path / "x.svg"), "--card-chart", str(own)], [str(own)]):
        assert main([*over, *more]) == 1
        assert "it is read here" in capsys.readouterr().err
    assert own.read_bytes() == find_chart(CHARTS[0]).read_bytes()
    assert main([*words, "--force", "--paper", "letter", "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["name"].endswith("card Letter")


@pytest.mark.parametrize(
    "wanted",
    [
        # Linear sRGB over the paper's white: methyl orange at pH 4 and a universal indicator at pH 4.5, by the model.
        (1.198, 0.466, 0.154),
        (1.152, 0.537, 0.203),
    ],
)
def test_colours_beyond_srgb_are_drawn_as_near_as_it_allows(wanted: tuple[float, float, float]) -> None:
    lab = xyz2lab(np.array(wanted) @ np.array(SRGB_TO_XYZ).T)
    fill, sent = printable(lab)
    assert deltaE_ciede2000(sent, rgb2lab(np.array(fill)[None, None] / 255.0)[0, 0]) < 0.05
    # Red is at its limit; every green and blue beside it, tried out.
    green, blue = np.meshgrid(np.arange(140, 240), np.arange(80, 160), indexing="ij")
    codes = np.stack([np.full_like(green, 255), green, blue], axis=-1)
    apart = deltaE_ciede2000(rgb2lab(codes / 255.0), np.broadcast_to(lab, codes.shape))
    assert float(deltaE_ciede2000(sent, lab)) < apart.min() + 0.02
    # Cutting the channel off alone, as was done before, is a quarter worse.
    cut = np.clip(np.array(wanted), 0.0, 1.0)
    cut = np.where(cut < 0.0031308, 12.92 * cut, 1.055 * cut ** (1 / 2.4) - 0.055)
    assert float(deltaE_ciede2000(rgb2lab(cut[None, None])[0, 0], lab)) > 1.25 * apart.min()


def test_greys_and_colours_that_srgb_holds_are_drawn_as_they_are() -> None:
    for codes in ((0, 0, 0), (31, 31, 31), (254, 254, 254), (255, 255, 255), (255, 90, 0), (12, 200, 255)):
        assert printable(rgb2lab(np.array(codes)[None, None] / 255.0)[0, 0])[0] == codes


def test_the_command_says_which_patches_are_beyond_srgb(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    own = tmp_path / "own.toml"
    words = ["card", "--chart", CHARTS[0], "-o", str(tmp_path / "card.svg"), "--card-chart", str(own)]
    assert main(words) == 0
    told = capsys.readouterr().out
    assert re.search(r"pH 4, 4\.5, 5: more vivid than sRGB holds .* up to 3\.\d CIEDE2000 off", told)
    # The chart of the card holds what was drawn: drawn again, there is nothing to say.
    assert main(["card", "--chart", str(own), "-o", str(tmp_path / "again.svg")]) == 0
    assert "vivid" not in capsys.readouterr().out
    again = (tmp_path / "again.svg").read_text()
    assert re.findall(r"#[0-9a-f]{6}", again) == re.findall(
        r"#[0-9a-f]{6}", (tmp_path / "card.svg").read_text()
    )


def test_two_rows_of_patches_still_fit(tmp_path: Path) -> None:
    drawn = load_chart(find_chart(CHARTS[0]))
    patches = tuple(
        Patch(2.0 + 0.5 * k, (90.0 - 2 * k, 5.0 * np.cos(k), 4.0 * k), 1.0, drawn.patches[0].corners)
        for k in range(20)
    )
    card = plan_card(replace(drawn, patches=patches)).chart
    assert card.layout == "grid"
    tops = sorted({patch.corners[0][1] for patch in card.patches})
    assert len(tops) == 2
