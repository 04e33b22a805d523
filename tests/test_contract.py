"""What other programs and the README may rely on."""

from __future__ import annotations

import ast
import importlib
import inspect
import re
from pathlib import Path
from typing import Any

import click
import pytest
from write_tables import commands_text

import hueph
from hueph.cli import cli
from hueph.errors import HuephError
from hueph.flags import FLAGS
from hueph.report import NOTICE, flags_table

ROOT = Path(__file__).resolve().parents[1]
REMEDY = "run: python tests/write_tables.py"
README = (ROOT / "README.md").read_text(encoding="utf-8")


def offered() -> list[str]:
    """Return the commands there are."""
    return cli.list_commands(None)  # type: ignore[arg-type]


def public_callables() -> list[tuple[str, Any]]:
    """Return every public function, and every public method of a public class."""
    found: list[tuple[str, Any]] = []
    for name in hueph.__all__:
        value = getattr(hueph, name)
        if inspect.isfunction(value):
            found.append((name, value))
        elif inspect.isclass(value) and not issubclass(value, HuephError):
            members = inspect.getmembers(value, inspect.isfunction)
            own = [
                (f"{name}.{member}", function)
                for member, function in members
                if not member.startswith("_") and function.__module__.startswith("hueph")
            ]
            found += own
    return found


def test_public_names_are_sorted_and_each_is_there() -> None:
    constants = sorted(name for name in hueph.__all__ if name.isupper())
    classes = sorted(name for name in hueph.__all__ if name[0].isupper() and not name.isupper())
    functions = sorted(name for name in hueph.__all__ if name[0].islower())
    assert hueph.__all__ == constants + classes + functions
    for name in hueph.__all__:
        assert getattr(hueph, name) is not None
    assert set(hueph.__all__) <= set(dir(hueph))


def test_type_checkers_are_told_the_same_names() -> None:
    told: set[tuple[str, str]] = set()
    for node in ast.walk(ast.parse(inspect.getsource(hueph))):
        if isinstance(node, ast.ImportFrom) and node.module and node.module.startswith("hueph."):
            told |= {(node.module, alias.name) for alias in node.names}
    homes = {(f"hueph.{module}", name) for module, names in hueph._HOMES.items() for name in names}
    assert told == homes
    assert {name for _, name in homes} == set(hueph.__all__)


def test_an_unknown_name_is_an_attribute_error() -> None:
    with pytest.raises(AttributeError, match="module 'hueph' has no attribute 'read_mind'"):
        hueph.read_mind  # noqa: B018


@pytest.mark.parametrize(("name", "function"), public_callables(), ids=lambda value: str(value)[:40])
def test_public_functions_are_documented(name: str, function: Any) -> None:
    text = inspect.getdoc(function) or ""
    assert text, f"{name} has no docstring"
    if "." in name:  # a method: at least a sentence
        return
    signature = inspect.signature(function)
    if signature.parameters:
        section = text.partition("Parameters\n----------\n")[2]
        assert section, f"{name} does not document its parameters"
        documented = {
            word.strip().lstrip("*")
            for line in section.splitlines()
            if re.match(r"\S.* : ", line)
            for word in line.split(" : ")[0].split(",")
        }
        missing = set(signature.parameters) - documented
        assert not missing, f"{name} does not document {missing}"
    if signature.return_annotation not in (None, "None"):
        assert "Returns\n-------\n" in text or "Yields\n------\n" in text, f"{name} has no Returns"
    if "raise " in inspect.getsource(function):
        assert "Raises\n------\n" in text, f"{name} has no Raises"


def test_every_public_module_says_what_it_is() -> None:
    for home in hueph._HOMES:
        module = importlib.import_module(f"hueph.{home}")
        assert module.__doc__, home
        names = module.__all__
        assert set(hueph._HOMES[home]) <= set(names), home


def test_readme_holds_the_tables_as_the_code_makes_them_now() -> None:
    assert f"<!-- flags: begin -->\n{flags_table()}\n<!-- flags: end -->" in README, REMEDY
    assert f"<!-- commands: begin -->\n{commands_text()}\n<!-- commands: end -->" in README, REMEDY


@pytest.mark.parametrize("name", sorted(FLAGS))
def test_flags_are_lower_case_words_with_a_meaning_and_a_remedy(name: str) -> None:
    assert re.fullmatch(r"[a-z]+(-[a-z]+)*", name)
    meaning, remedy = FLAGS[name]
    for sentence in (meaning, remedy):
        assert sentence.strip()
        assert not sentence.endswith(".")
        assert "|" not in sentence


def test_no_flag_is_set_that_is_not_documented() -> None:
    """Every lower-case literal with a hyphen in a `flags` expression is a flag."""
    package = Path(hueph.__file__).parent
    for file in sorted(package.rglob("*.py")):
        for node in ast.walk(ast.parse(file.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Call) and isinstance(node.func, ast.Attribute):
                owner = ast.unparse(node.func.value)
                if node.func.attr == "add" and owner.split(".")[-1].endswith("flags"):
                    for word in ast.walk(node.args[0]):
                        if isinstance(word, ast.Constant) and isinstance(word.value, str):
                            assert word.value in FLAGS, f"{file}:{node.lineno}"


@pytest.mark.parametrize("name", offered())
def test_every_command_stands_in_the_readme_and_has_help(name: str) -> None:
    assert f"hueph {name}" in README
    command = cli.get_command(None, name)  # type: ignore[arg-type]
    assert command is not None
    assert command.help
    for option in parameters(command):
        if isinstance(option, click.Option):
            assert option.help, f"hueph {name} {option.opts[0]} has no help"


@pytest.mark.parametrize("name", offered())
def test_every_option_stands_in_the_readme(name: str) -> None:
    command = cli.get_command(None, name)  # type: ignore[arg-type]
    assert command is not None
    for option in parameters(command):
        if isinstance(option, click.Option) and not isinstance(command, click.Group):
            longest = max(option.opts, key=len)
            assert f"`{longest}" in README, f"hueph {name} {longest}"


def parameters(command: click.Command) -> list[click.Parameter]:
    """Return the options and arguments of a command and of its sub-commands."""
    own = list(command.params)
    if isinstance(command, click.Group):
        for sub in command.commands.values():
            own += parameters(sub)
    return own


def test_readme_and_licence_say_what_they_must() -> None:
    assert NOTICE in README
    assert "BSD 3-Clause" in (ROOT / "LICENSE").read_text(encoding="utf-8")
    assert "hueph developers" in (ROOT / "LICENSE").read_text(encoding="utf-8")


def test_packages_of_the_distribution_are_all_there_are() -> None:
    import tomllib

    settings = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
    listed = settings["tool"]["setuptools"]["packages"]
    package = ROOT / "hueph"
    found = {"hueph"} | {
        ".".join(("hueph", *file.parent.relative_to(package).parts)) for file in package.rglob("*.py")
    }
    data_only = {name for name in listed if name not in found}
    assert found <= set(listed)
    assert data_only == {"hueph.reference_charts"}
