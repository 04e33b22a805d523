"""Write what the README holds of the program: flags, the options of every command, and what the examples print.

python tests/write_tables.py
"""

from __future__ import annotations

import os
import sys
import tempfile
from pathlib import Path

import click

from hueph.cli import cli
from hueph.report import flags_table

ROOT = Path(__file__).resolve().parents[1]
sys.path.append(str(ROOT / "tests" / "accuracy"))

import readme_console  # noqa: E402
import tables  # noqa: E402  (it lies beside the accuracy scripts)

README = ROOT / "README.md"


def commands_text() -> str:
    """Return a heading, the sentence and the options of every command there is."""
    context = click.Context(cli, info_name="hueph")
    parts = []
    for name in cli.list_commands(context):
        command = cli.get_command(context, name)
        if command is not None:
            parts += command_parts(command, f"hueph {name}")
    return "\n\n".join(parts)


def command_parts(command: click.Command, title: str) -> list[str]:
    """Describe one command, or each command of a group."""
    if isinstance(command, click.Group):
        return [
            part for name, sub in command.commands.items() for part in command_parts(sub, f"{title} {name}")
        ]
    pieces = command.collect_usage_pieces(click.Context(command, info_name=title))
    usage = " ".join([title, *pieces])
    sentence = (command.help or "").split("\n\n")[0].replace("\n", " ").strip()
    rows = [option_row(option) for option in command.params if isinstance(option, click.Option)]
    table = tables.markdown(("option", "meaning", "default"), rows)
    return [f"### `{usage}`", sentence, table]


def option_row(option: click.Option) -> tuple[str, str, str]:
    """Return the cells of one option; its longest name stands first."""
    names = sorted(option.opts, key=len, reverse=True)
    shown = names[0]
    if not option.is_flag:
        shown += f" {option.metavar or option.type.name.upper().removesuffix(' RANGE')}"
    cell = ", ".join([f"`{shown}`", *(f"`{name}`" for name in names[1:])])
    usual = option.default if isinstance(option.default, int | float | str) and not option.is_flag else ""
    return cell, (option.help or "").replace("|", "\\|"), "required" if option.required else str(usual)


def main() -> None:
    """Put the tables and the output of the examples into the README."""
    tables.put_between(README, "commands", commands_text())
    tables.put_between(README, "flags", flags_table())
    os.environ.pop("HUEPH_ARCHIVE", None)  # examples stay out of the archive that the developer records into
    with tempfile.TemporaryDirectory() as folder:
        text = readme_console.update(README.read_text(encoding="utf-8"), Path(folder))
    README.write_text(text, encoding="utf-8")


if __name__ == "__main__":
    main()
