"""Draw the pictures of the README anew, as the program makes them now.

    python tests/make_pictures.py [NAME ...]

Names: photographing, calibrate-preview, own-card, report-page, comparison; all of them when none is given. The page
of a report is photographed with Chromium. (The figures of DEVELOPERS.md, sweep.png and limit.png, come from
tests/accuracy/sweep.py and limit.py with --write.)
"""

from __future__ import annotations

import argparse
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
from PIL import Image, ImageDraw, ImageOps

from hueph._overlay_panel import font
from hueph.archive.demo import build_demo
from hueph.charting import calibrate_pictures, save_preview
from hueph.comparing.running import run_experiment
from hueph.comparison_figure import write_comparison_figure

ROOT = Path(__file__).resolve().parents[1]
SAMPLES = ROOT / "samples"
PICTURES = SAMPLES / "pictures"
sys.path.append(str(ROOT / "tests" / "accuracy"))

import card_scenes  # noqa: E402  (it lies among the accuracy scripts)

QUALITY = 85
INK, PAPER = (26, 26, 26), (255, 255, 255)

# Sample, where the part of it that is shown begins (share of its height), and what to learn from it.
PHOTOGRAPHS = (
    ("five-tubes.jpg", 0.0, "good: white paper, even light, whole strip"),
    ("dim-single-tube.jpg", 0.19, "too dark: noise hides pale colours"),
    ("wood-backing.jpg", 0.19, "coloured backing: pale liquids suffer"),
)
PHOTOGRAPH = (330, 250)  # pixels
GAP, CAPTION = 10, 36

# A scene of card_scenes.py with three tubes and a card of many patches: its number, and the kind of light.
CARD_SEED, CARD_KIND = (7, 0, 3), "sheet"
CARD_SIZE = (800, 600)
FIGURE_WIDTH = 960

REPORT_WIDTH, REPORT_HEIGHT = 820, 2600
REPORT_PAIRS = 3


def main() -> None:
    """Run as a script."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("names", nargs="*", metavar="NAME", help="pictures to draw")
    names = parser.parse_args().names or list(DRAW)
    if unknown := set(names) - set(DRAW):
        parser.error(f"there is no picture {', '.join(sorted(unknown))}; the names are {', '.join(DRAW)}")
    for name in names:
        target = PICTURES / f"{name}.jpg"
        with tempfile.TemporaryDirectory() as folder:
            DRAW[name](Path(folder)).convert("RGB").save(target, quality=QUALITY, optimize=True)
        print(f"{target.relative_to(ROOT)}: {target.stat().st_size / 1000:.0f} kB")


def photographing(_: Path) -> Image.Image:
    """A good photograph beside two that are not, with what is wrong with them."""
    wide, high = PHOTOGRAPH
    sheet = Image.new("RGB", (3 * wide + 2 * GAP, high + CAPTION), PAPER)
    pen = ImageDraw.Draw(sheet)
    for number, (name, top, words) in enumerate(PHOTOGRAPHS):
        left = number * (wide + GAP)
        with Image.open(SAMPLES / name) as opened:
            sheet.paste(upright(opened, top).resize(PHOTOGRAPH, Image.Resampling.LANCZOS), (left, 0))
        pen.text((left + 2, high + 9), words, fill=INK, font=font(16))
    return sheet


def upright(photo: Image.Image, top: float) -> Image.Image:
    """A photograph the way it was held, its part of the shape of `PHOTOGRAPH` from `top` on."""
    turned = ImageOps.exif_transpose(photo).convert("RGB")
    first = round(top * turned.height)
    high = round(turned.width * PHOTOGRAPH[1] / PHOTOGRAPH[0])
    return turned.crop((0, first, turned.width, min(first + high, turned.height)))


def calibrate_preview(folder: Path) -> Image.Image:
    """The preview of the README's example of calibrating."""
    made = calibrate_pictures([SAMPLES / "five-tubes.jpg"], np.arange(4.0, 10.1, 0.5))
    save_preview(made, folder / "preview.png")
    return to_width(Image.open(folder / "preview.png"), 800)


def to_width(picture: Image.Image, width: int) -> Image.Image:
    """A smaller copy of a picture."""
    return picture.resize((width, round(width * picture.height / picture.width)), Image.Resampling.LANCZOS)


def own_card(folder: Path) -> Image.Image:
    """Tubes before a card, rendered."""
    strip, card = card_scenes.Tally(), card_scenes.Tally()
    card_scenes.compare(CARD_SEED, CARD_KIND, strip, card, folder / "card.jpg")
    return Image.open(folder / "card.jpg").resize(CARD_SIZE, Image.Resampling.LANCZOS)


def comparison(folder: Path) -> Image.Image:
    """The figure of the worked experiment, as far as it shows each verdict once."""
    result = run_experiment(SAMPLES / "experiment" / "experiment.toml")
    citrate, phosphate, thin, _ = result.samples
    some = (citrate, phosphate, replace(thin, stages=thin.stages[:1]))
    write_comparison_figure(replace(result, samples=some), folder / "figure.png")
    return to_width(Image.open(folder / "figure.png"), FIGURE_WIDTH)


def report_page(folder: Path) -> Image.Image:
    """Parts of a report of the worked archive: what acid changed, and readings beside their recipe."""
    browser = shutil.which("chromium") or shutil.which("chromium-browser")
    if browser is None:
        raise SystemExit("report-page needs Chromium (Debian: apt-get install chromium)")
    build_demo(folder / "demo", SAMPLES)
    page = folder / "page.html"
    whole = (folder / "demo" / "report-acid.html").read_text(encoding="utf-8")
    page.write_text(parts_of_report(whole), encoding="utf-8")
    words = [
        browser, "--headless=new", "--no-sandbox", "--disable-gpu", "--hide-scrollbars", "--no-first-run",
        "--host-resolver-rules=MAP * ~NOTFOUND", f"--user-data-dir={folder / 'profile'}",
        f"--window-size={REPORT_WIDTH},{REPORT_HEIGHT}", f"--screenshot={folder / 'page.png'}", page.as_uri(),
    ]  # fmt: skip
    subprocess.run(words, capture_output=True, timeout=180, check=True)
    shot = Image.open(folder / "page.png").convert("RGB")
    inked = np.flatnonzero((np.asarray(shot) < 250).any(axis=(1, 2)))
    return shot.crop((0, max(int(inked[0]) - 20, 0), shot.width, int(inked[-1]) + 20))


def parts_of_report(page: str) -> str:
    """The page without all but the first pairs, and the first photograph up to its overlay."""
    head = page[: page.index("<body>") + len("<body>")]
    pairs = page[page.index("<h2>Comparisons</h2>") :]
    end = 0
    for _ in range(REPORT_PAIRS):
        end = pairs.index("</tbody>", end) + len("</tbody>")
    photograph = page[page.index("<h2>Photograph") :]
    photograph = photograph[: photograph.index('<div class="pictures">')]
    return f"{head}{pairs[:end]}</table></div>{photograph}</body></html>"


DRAW: dict[str, Callable[[Path], Image.Image]] = {
    "photographing": photographing,
    "calibrate-preview": calibrate_preview,
    "own-card": own_card,
    "report-page": report_page,
    "comparison": comparison,
}


if __name__ == "__main__":
    main()
