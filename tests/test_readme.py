"""What the README shows is run as it stands."""

from __future__ import annotations

import re
import shlex
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[1]
README = (ROOT / "README.md").read_text(encoding="utf-8")


def blocks(language: str) -> list[str]:
    """Return the code blocks of one language."""
    return re.findall(rf"^```{language}\n(.*?)^```$", README, re.MULTILINE | re.DOTALL)


def shown_commands() -> list[str]:
    """Return every `$ ...` line of the console blocks."""
    return [line[2:] for block in blocks("console") for line in block.splitlines() if line.startswith("$ ")]


@pytest.fixture
def workplace(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder that looks like the tree and may be written to."""
    for name in ("samples", "reference_charts"):
        (tmp_path / name).symlink_to(ROOT / name, target_is_directory=True)
    monkeypatch.chdir(tmp_path)
    return tmp_path


def test_two_commands_stand_at_the_top_and_each_is_one_line() -> None:
    assert len(blocks("sh")) == 2
    for block in blocks("sh"):
        assert block.count("\n") == 1
        assert block.startswith("python3.11 -m venv .venv && .venv/bin/pip install -q ")
    first_heading = README.index("\n## ")
    assert README.index("```sh") < README.rindex("```sh") < first_heading


def test_first_command_reads_a_sample(workplace: Path, capsys: pytest.CaptureFixture[str]) -> None:
    from hueph.cli import main

    words = shlex.split(blocks("sh")[0].split(" && ")[-1])
    assert words[0] == ".venv/bin/hueph"
    assert main(words[1:]) == 0
    out = capsys.readouterr().out
    assert len(re.findall(r"^  tube \d  pH ", out, re.MULTILINE)) >= 3
    assert list((workplace / "hueph-out").glob("*-overlay.jpg"))


@pytest.mark.parametrize("command", shown_commands())
def test_shown_commands_run(workplace: Path, command: str) -> None:
    from hueph.cli import main

    words = shlex.split(command)
    assert words[0] == "hueph"
    assert main(words[1:]) == 0


@pytest.mark.parametrize("code", blocks("python"))
def test_python_examples_run(workplace: Path, code: str) -> None:
    exec(compile(code, "README.md", "exec"), {"__name__": "readme"})


def test_json_example_has_the_keys_of_the_program(workplace: Path) -> None:
    import json

    from hueph.results import PhotoReadings

    (shown,) = json.loads(blocks("json")[0])
    empty = PhotoReadings("a.jpg", "", 0, 0, "", "").to_dict()
    assert set(shown) == set(empty)
    assert set(shown["strip"]) == set(empty["strip"])


def test_links_lead_somewhere() -> None:
    for document in ("README.md", "DEVELOPERS.md"):
        text = (ROOT / document).read_text(encoding="utf-8")
        for target in re.findall(r"\]\(([^)#:]+)\)", text):
            assert (ROOT / target).exists(), f"{document}: {target}"
        for anchor in re.findall(r"\]\(#([^)]+)\)", text):
            headings = [
                re.sub(r"[^\w -]", "", line).strip().lower().replace(" ", "-")
                for line in text.splitlines()
                if line.startswith("#")
            ]
            assert anchor in headings, f"{document}: #{anchor}"


def test_top_level_is_what_the_layout_says() -> None:
    known = {
        "README.md",
        "DEVELOPERS.md",
        "pyproject.toml",
        "LICENSE",
        "hueph",
        "tests",
        "reference_charts",
        "samples",
    }
    made = {"build", "dist", "venv", "hueph-out"}  # by the commands of the README and by packaging
    there = {
        path.name for path in ROOT.iterdir() if not path.name.startswith(".") and path.suffix != ".egg-info"
    }
    assert there - made == known
