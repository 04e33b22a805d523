"""`hueph calibrate` in process: what it writes, what it prints, and what it leaves alone."""

from __future__ import annotations

import json
import os
from pathlib import Path

import numpy as np
import pytest
from chart_artwork import draw_plain
from PIL import Image

from hueph import load_chart
from hueph.cli import main

PH = (4.0, 5.0, 6.0, 7.0, 8.0)


@pytest.fixture
def card(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> str:
    """Artwork of a row of five patches in a folder of its own, which becomes the working folder."""
    art = draw_plain(
        np.random.default_rng(8), layout="row", count=5, path="universal", print_error=0.3, unit=40.0,
        width=36.0, height=40.0, gap_x=8.0, margin=24.0, label="below", label_size=11.0, ph=PH, soft=False,
    )  # fmt: skip
    monkeypatch.chdir(tmp_path)
    Image.fromarray(art.picture).save("card.png")
    return "card.png"


def files() -> list[str]:
    """What lies in the working folder."""
    return sorted(os.listdir())


def test_writes_a_chart_that_loads(card: str, capsys: pytest.CaptureFixture[str]) -> None:
    words = ["calibrate", card, "--ph", "4:8:1", "-o", "chart.toml", "--name", "Feed line", "--batch", "12-A"]
    assert main([*words, "--date", "2026-03-01", "--note", "new print", "--indicator", "four dyes"]) == 0
    chart = load_chart("chart.toml")
    assert chart.ph.tolist() == list(PH)
    found = (chart.name, chart.batch, chart.date, chart.note, chart.indicator)
    assert found == ("Feed line", "12-A", "2026-03-01", "new print", "four dyes")
    assert "card (SHA-256 " in chart.provenance
    printed = capsys.readouterr().out
    assert printed.startswith("wrote chart.toml\nFeed line: 5 patches, pH 4 to 8, row\n")
    assert files() == ["card.png", "chart.toml"]


def test_json_holds_the_patches(card: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["calibrate", card, "--ph", "4,5,6,7,8", "-o", "chart.toml", "--json"]) == 0
    printed = json.loads(capsys.readouterr().out)
    chart = load_chart("chart.toml")
    assert printed["sha256"] == chart.sha256
    assert [patch["ph"] for patch in printed["patches"]] == list(PH)
    assert np.abs(np.array([patch["lab"] for patch in printed["patches"]]) - chart.lab).max() < 0.01


def test_never_overwrites_without_force(card: str, capsys: pytest.CaptureFixture[str]) -> None:
    Path("chart.toml").write_text("mine")
    words = ["calibrate", card, "--ph", "4:8:1", "-o", "chart.toml"]
    assert main(words) == 1
    assert "chart.toml: the file exists and is never overwritten unasked" in capsys.readouterr().err
    assert Path("chart.toml").read_text() == "mine"
    assert main([*words, "--force"]) == 0
    assert load_chart("chart.toml").ph.tolist() == list(PH)
    Path("check.png").write_text("mine too")
    assert main([*words[:-1], "other.toml", "--preview", "check.png"]) == 1
    assert Path("check.png").read_text() == "mine too"
    assert not Path("other.toml").exists()


def test_nothing_that_is_read_is_written_over(card: str, capsys: pytest.CaptureFixture[str]) -> None:
    words = ["calibrate", card, "--ph", "4:8:1", "--force"]
    picture = Path(card).read_bytes()
    for more, text in (
        (["-o", card], f"cannot write {card}: it is read here, and -o would replace it"),
        (["-o", "c.toml", "--preview", card], f"cannot write {card}: it is read here, and --preview would"),
        (["-o", "c.png", "--preview", "c.png"], "cannot write c.png: -o and --preview both name this file"),
    ):
        assert main([*words, *more]) == 1
        assert text in capsys.readouterr().err
    assert Path(card).read_bytes() == picture
    assert files() == [card]


def test_standards_leave_no_option_without_effect(card: str, capsys: pytest.CaptureFixture[str]) -> None:
    words = ["calibrate", "--standard", "b.jpg=4.01", "--chart", "c.toml", "-o", "d.toml"]
    for option in (["--name", "mine"], ["--preview", "p.png"], ["--reverse"]):
        assert main([*words, *option]) == 2
        assert f"{option[0]} cannot be used with standards" in capsys.readouterr().err


def test_the_preview_outlines_every_patch(card: str) -> None:
    words = ["calibrate", card, "--ph", "4:8:1", "-o", "chart.toml", "--preview", "check.png"]
    assert main(words) == 0
    shown = np.asarray(Image.open("check.png").convert("RGB")).astype(int)
    plain = Image.open(card).convert("RGB")
    scale = shown.shape[1] / plain.size[0]
    enlarged = np.asarray(plain.resize((shown.shape[1], shown.shape[0]))).astype(int)
    changed = np.abs(shown - enlarged).sum(axis=2) > 250
    for patch in load_chart("chart.toml").patches:
        (x0, y0), _, (x1, y1), _ = (np.array(corner) * scale for corner in patch.corners)
        middle = int((y0 + y1) / 2)
        for edge in (x0, x1):  # a dark line with light rims where the edge is
            assert changed[middle - 20 : middle + 20, int(edge) - 5 : int(edge) + 5].any(axis=1).mean() > 0.9
        assert changed[int(y0) + 10 : int(y1) - 10, int(x0) + 10 : int(x1) - 10].any()  # its pH


@pytest.mark.parametrize(
    ("words", "text"),
    [
        (["--ph", "4:9:1"], "a chart of 6 patches is looked for, by --ph or its file, but 5 can be made out"),
        (["--ph", "4,5,5,6,7"], "each pH stands once on a chart"),
        (["--ph", "8,7,6,5,4"], "add --reverse"),
    ],
)
def test_a_refusal_writes_nothing(
    card: str, words: list[str], text: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["calibrate", card, *words, "-o", "chart.toml", "--preview", "check.png"]) == 1
    said = capsys.readouterr()
    assert said.err.startswith("error: ")
    assert text in said.err
    assert said.err.count("\n") == 1
    assert files() == ["card.png"]


def test_a_full_disk_leaves_no_half_file(
    card: str, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    def full(handle: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    assert main(["calibrate", card, "--ph", "4:8:1", "-o", "chart.toml"]) == 1
    assert "cannot write chart.toml: No space left on device" in capsys.readouterr().err
    assert files() == ["card.png"]


@pytest.mark.parametrize(
    ("words", "text"),
    [
        ([], "a new chart needs -o CHART and --ph LIST or --card CARD"),
        (["--ph", "4;5", "-o", "c.toml"], "a pH list is written 4,4.5,5 or 4:10:0.5"),
        (["--ph", "4:8:1", "-o", "c.toml", "--corners", "1,2,3"], "must be 8 numbers"),
        (["--check", "c.toml", "--ph", "4:8:1"], "--ph cannot be used with --check"),
        (["--check", "c.toml", "-o", "d.toml"], "--output cannot be used with --check"),
        (["--check", "c.toml", "--note", "mine"], "--note cannot be used with --check"),
        (["card.png", "--ph", "4:8:1", "-o", "c.toml", "--corners", "1,1,9,1,9,9,1,9"], "fits one image"),
        (["--card", "k.toml", "-o", "c.toml", "--reverse"], "--reverse cannot be used with --card"),
        (["--card", "k.toml", "-o", "c.toml", "--allow-alike"], "--allow-alike cannot be used with --card"),
    ],
)
def test_wrong_use(card: str, words: list[str], text: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["calibrate", card, *words]) == 2
    assert text in capsys.readouterr().err
    assert files() == ["card.png"]


def test_check_says_how_far_a_print_has_drifted(card: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["calibrate", card, "--ph", "4:8:1", "-o", "chart.toml"]) == 0
    capsys.readouterr()
    assert main(["calibrate", "--check", "chart.toml", card]) == 0
    assert "\nfit: median drift 0.0" in capsys.readouterr().out
    art = np.asarray(Image.open(card)).astype(float)
    paper = np.median(art[:5], axis=(0, 1))
    Image.fromarray(np.rint(paper + 0.6 * (art - paper)).astype(np.uint8)).save("faded.png")
    assert main(["calibrate", "--check", "chart.toml", "faded.png", "--json"]) == 0
    report = json.loads(capsys.readouterr().out)
    assert report["verdict"] == "reprint"
    assert all(patch["delta_e"] > 5 for patch in report["patches"])
    assert files() == ["card.png", "chart.toml", "faded.png"]
