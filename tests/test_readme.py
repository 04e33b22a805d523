"""What the README shows is run as it stands."""

from __future__ import annotations

import re
import shlex
from collections.abc import Iterator
from pathlib import Path

import pytest
from readme_console import Example, console_blocks, differences, in_workplace, run, update

ROOT = Path(__file__).resolve().parents[1]
README = (ROOT / "README.md").read_text(encoding="utf-8")


def blocks(language: str) -> list[str]:
    """Return the code blocks of one language ("" for those that name none)."""
    all_blocks = re.findall(r"^```(\w*)\n(.*?)^```$", README, re.MULTILINE | re.DOTALL)
    return [text for name, text in all_blocks if name == language]


@pytest.fixture
def workplace(tmp_path: Path) -> Iterator[Path]:
    """A folder that looks like the tree and may be written to."""
    with in_workplace(tmp_path):
        yield tmp_path


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


@pytest.mark.parametrize("examples", console_blocks(README), ids=lambda examples: examples[0].command[:60])
def test_console_examples_print_what_is_shown(workplace: Path, examples: list[Example]) -> None:
    found = []
    for example in examples:
        status, printed = run(example.command)
        assert status == 0, f"{example.command}: {printed[-1]}"
        found += differences(example, printed)
    assert not found, "\n".join(["README.md is not what hueph prints; run tests/write_tables.py", *found])


def test_what_hueph_prints_stands_in_no_block_that_is_not_run() -> None:
    for block in [*blocks("text"), *blocks("")]:
        assert all(line.startswith("$ ") for line in block.splitlines()), "show output beneath its command"


PRINTED = ["bench.jpg: 2 tubes", "  tube 1  pH 6.3 (5.9 to 6.6)", "    noise 0.01", "  tube 2  pH 8.2", "end"]


@pytest.mark.parametrize(
    ("shown", "said"),
    [
        (PRINTED, 0),
        ((), 0),
        (["...", *PRINTED[1:3], "..."], 0),
        (["...", *PRINTED[3:]], 0),
        ([PRINTED[0], "..."], 0),
        (PRINTED[:4], 1),
        ([*PRINTED, "end"], 1),
        (["...", "  tube 1  pH 6.3 (5.9 to 6.8)", "..."], 1),
        (["...", "  tube 1  pH 6.3 (5.90 to 6.6)", "..."], 1),
        (["...", "  tube 1  pH 6.4 (5.9 to 6.5)", "..."], 0),
        (["bench.jpg: 3 tubes", "..."], 1),
        (["...", "  tube 2  ph 8.2", "..."], 1),
    ],
)
def test_another_output_is_noticed(shown: list[str], said: int) -> None:
    assert len(differences(Example("hueph read bench.jpg", tuple(shown)), PRINTED)) == said


def test_what_is_worked_out_without_a_picture_is_shown_to_the_letter() -> None:
    assert differences(Example("hueph expect a.toml", ("pH 4.67",)), ["pH 4.66"])
    assert not differences(Example("hueph read a.jpg", ("pH 4.67",)), ["pH 4.66"])


def test_output_shown_is_written_anew(tmp_path: Path) -> None:
    command = "$ hueph expect '4 mL 0.1 M acetic acid'"
    text = f"before\n```console\n{command}\nExpected pH (old)\n\nstep 1   old\n...\n{command}\n```\nafter\n"
    new = update(text, tmp_path).splitlines()
    assert new[3:5] == ["Expected pH (25 °C, activities by Davies)", ""]
    assert re.fullmatch(r"step 1   pH 2\.\d\d .*", new[5])
    assert [*new[:3], *new[6:]] == ["before", "```console", command, "...", command, "```", "after"]
    with pytest.raises(ValueError, match="prints no line that begins with 'tube 9'"):
        update(f"```console\n{command}\n...\ntube 9  pH 1\n```\n", tmp_path / "again")
    with pytest.raises(ValueError, match="ended with status 1"):
        update("```console\n$ hueph expect nothing.toml\n```\n", tmp_path / "failing")


@pytest.mark.parametrize("code", blocks("python"))
def test_python_examples_run(workplace: Path, code: str) -> None:
    exec(compile(code, "README.md", "exec"), {"__name__": "readme"})


def test_every_option_named_is_one(workplace: Path) -> None:
    import click

    from hueph.cli import cli

    context = click.Context(cli)
    known: dict[str, set[str]] = {}
    for name in cli.list_commands(context):
        command = cli.get_command(context, name)
        assert command is not None
        subs = command.commands if isinstance(command, click.Group) else {"": command}
        for sub, one in subs.items():
            options = {option for param in one.params for option in param.opts}
            known[f"{name} {sub}".strip()] = {*options, "--help", "-h"}
    anywhere = set().union(*known.values(), {"--version"})
    named = re.findall(r"`hueph ([^`\[\n]*)`", README)
    named += re.findall(r"^\$ hueph (.*)$", README, re.MULTILINE)
    assert len(named) > 40
    for words in named:
        command_name = next((name for name in sorted(known, reverse=True) if words.startswith(name)), "")
        for option in re.findall(r"(?<![\w-])--?[a-z][a-z-]*", re.sub(r'"[^"]*"', "", words)):
            assert option in known.get(command_name, anywhere), f"hueph {words}: {option}"
    for option in re.findall(r"`(--[a-z-]+)", README):
        assert option in anywhere, option


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


def test_every_picture_is_shown_and_has_a_script_that_draws_it() -> None:
    documents = "".join((ROOT / name).read_text(encoding="utf-8") for name in ("README.md", "DEVELOPERS.md"))
    scripts = [ROOT / "tests" / "make_pictures.py", *(ROOT / "tests" / "accuracy").glob("*.py")]
    drawn = "".join(script.read_text(encoding="utf-8") for script in scripts)
    pictures = sorted((ROOT / "samples" / "pictures").iterdir())
    assert len(pictures) >= 7
    for picture in pictures:
        assert f"(samples/pictures/{picture.name})" in documents
        made = f'"{picture.stem}":' in drawn or f"pictures/{picture.name}" in drawn
        assert made, f"no script draws {picture.name}"
