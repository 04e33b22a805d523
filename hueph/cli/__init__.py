"""The `hueph` command: a lazy group, and the one place where errors become a sentence and a number.

Nothing heavy is imported here. A command's module is imported when that command is called; a command
offers itself by the name of its module, `hueph.cli.<name>:<name>`.
"""

from __future__ import annotations

import contextlib
import importlib
import importlib.util
import io
import json
import logging
import os
import sys
import traceback
from collections.abc import Sequence
from typing import Any

import click

from hueph import __version__
from hueph._system import system_sentence
from hueph.errors import HuephError

__all__ = ["COMMANDS", "cli", "main"]

# Every command the contract names, in the order in which work is done, with its line in the help.
COMMANDS: dict[str, str] = {
    "read": "Read the pH of every tube in photographs.",
    "calibrate": "Make a chart file from a scan or photograph of a printed chart.",
    "compare": "State the change in pH between tubes, and whether the buffer held.",
    "expect": "Work out the pH a recipe should have.",
    "endpoint": "Judge titration end points from photographs or a video.",
    "archive": "Keep, list, verify and export evidence.",
    "card": "Draw a printable reference card.",
    "serve": "Open the bench page in a browser.",
}

# Exit status, contract of the command line.
DONE, FAILED, WRONG_USAGE, FLAGGED = 0, 1, 2, 3
# 128 + signal number, as shells report a program ended by the user (common practice, no source).
INTERRUPTED = 130


class LazyGroup(click.Group):
    """A group whose commands are modules, found by name and imported on use."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        """Return the commands whose module exists."""
        return [name for name in COMMANDS if importlib.util.find_spec(f"hueph.cli.{name}") is not None]

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        """Import one command."""
        if cmd_name not in self.list_commands(ctx):
            return None
        command: click.Command = getattr(importlib.import_module(f"hueph.cli.{cmd_name}"), cmd_name)
        return command

    def resolve_command(
        self, ctx: click.Context, args: list[str]
    ) -> tuple[str | None, click.Command | None, list[str]]:
        """Find the command named by the first word, or list those there are."""
        name = args[0]
        if name not in self.list_commands(ctx) and not name.startswith("-"):
            known = ", ".join(self.list_commands(ctx))
            raise click.UsageError(f"there is no command {name!r}; the commands are: {known}", ctx)
        return super().resolve_command(ctx, args)

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """Write the table of commands without importing any of them."""
        with formatter.section("Commands"):
            formatter.write_dl([(name, COMMANDS[name]) for name in self.list_commands(ctx)])


def be_verbose(ctx: click.Context, param: click.Parameter, value: bool) -> None:
    """Send the log to standard error (option callback)."""
    if value:
        logging.basicConfig(level=logging.WARNING, format="%(name)s: %(message)s", stream=sys.stderr)
        logging.getLogger("hueph").setLevel(logging.DEBUG)


verbose_option = click.option(
    "-v",
    "--verbose",
    is_flag=True,
    expose_value=False,
    is_eager=True,
    callback=be_verbose,
    help="Say more on standard error, with the full traceback of an unexpected error.",
)


@click.group(
    cls=LazyGroup,
    context_settings={"help_option_names": ["-h", "--help"]},
    epilog="Readings are no basis for medical, drinking-water or safety decisions.",
)
@click.version_option(__version__, message="hueph %(version)s")
@verbose_option
def cli() -> None:
    """Turn photographs of indicator tubes beside a printed colour strip into pH ranges."""


def main(argv: Sequence[str] | None = None) -> int:
    """Run the command line and return the exit status.

    Parameters
    ----------
    argv : sequence of str, optional
        Words after the program's name. Default: those of this process.

    Returns
    -------
    int
        0 done, 1 cannot be done, 2 wrong usage, 3 done but flagged (with ``--strict``),
        130 interrupted by the user.
    """
    words = list(sys.argv[1:] if argv is None else argv)
    _make_streams_safe()
    # The matrices of one photograph are small: sharing them out among threads costs more than it gains.
    # To be said before numpy is loaded.
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    try:
        outcome = cli.main(args=words, prog_name="hueph", standalone_mode=False)
        if sys.stdout is not None:  # there is none when it was closed from the start (`hueph ... >&-`)
            sys.stdout.flush()
        return outcome if isinstance(outcome, int) else DONE
    except BrokenPipeError:
        return _reader_went_away()
    except (click.Abort, KeyboardInterrupt):
        click.echo("error: interrupted; what had been written stays", err=True)
        return INTERRUPTED
    except click.ClickException as error:
        _show_wrong_usage(error, words)
        return error.exit_code
    except HuephError as error:
        return _report(error, str(error), words)
    except OSError as error:
        if _asked(words, "-v", "--verbose"):
            traceback.print_exc()
        where = f" {os.fsdecode(error.filename)}" if isinstance(error.filename, str | bytes) else ""
        return _report(error, f"the system refused to go on{where}: {system_sentence(error)}", words)
    except Exception as error:  # the last line of defence: no traceback for a person who did not ask for one
        if _asked(words, "-v", "--verbose"):
            traceback.print_exc()
        return _report(error, unexpected(error), words)


def unexpected(error: BaseException) -> str:
    """Return the sentence for an error that hueph did not raise on purpose."""
    name = type(error).__name__
    detail = f"{name}: {error}" if str(error) else name
    return (
        f"something unexpected happened inside hueph ({detail}); "
        "please report it together with the output of the same command with -v"
    )


def _report(error: BaseException, sentence: str, words: Sequence[str]) -> int:
    """Print one error for a person and, with --json, for a program."""
    # When the reader went away or the disk under a stream is full, nothing more can be said there.
    with contextlib.suppress(OSError):
        if _asked(words, "--json"):
            found = {"error": {"type": type(error).__name__, "message": sentence}}
            click.echo(json.dumps(found))
    with contextlib.suppress(OSError):
        click.echo(f"error: {sentence}", err=True)
    return FAILED


def _show_wrong_usage(error: click.ClickException, words: Sequence[str]) -> None:
    """Print what is wrong with the words, and how a name is written that only looks like an option."""
    if sys.stderr is None:
        return
    with contextlib.suppress(OSError):
        error.show()
        looks_like_one = any(word.startswith("-") and os.path.lexists(word) for word in words)
        if isinstance(error, click.NoSuchOption) and looks_like_one:
            click.echo("A file whose name begins with a dash is written ./-name.", err=True)


def _asked(words: Sequence[str], *options: str) -> bool:
    """Say whether a flag stands among the words of the command line (before any `--`)."""
    ahead = words[: words.index("--")] if "--" in words else words
    return any(word in options for word in ahead)


def _make_streams_safe() -> None:
    """Let no character stop the output: files and pipes get UTF-8, a terminal what it can show."""
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):
            settings: dict[str, Any] = {"errors": "backslashreplace"}
            if not stream.isatty():
                settings["encoding"] = "utf-8"
            stream.reconfigure(**settings)


def _reader_went_away() -> int:
    """End quietly when the program reading our output stopped (`hueph ... | head`)."""
    # The interpreter flushes standard output once more when it ends; give that a place to go.
    with contextlib.suppress(OSError, ValueError):
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
    return FAILED
