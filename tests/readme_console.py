"""The console examples of the README: each is run, and what README shows of its output is compared or written anew.

A ``console`` block holds commands (``$ hueph ...``), each followed by what it prints, or by nothing when the output
is not shown. A line ``...`` stands for lines left out. Lines after it begin where the output has a line with the
same label: its text up to the first two spaces in a row.
"""

from __future__ import annotations

import contextlib
import io
import os
import re
import shlex
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

__all__ = ["Example", "console_blocks", "differences", "in_workplace", "run", "update", "with_new_output"]

ROOT = Path(__file__).resolve().parents[1]
LEFT_OUT = "..."
BLOCK = re.compile(r"(?<=^```console\n).*?(?=^```$)", re.MULTILINE | re.DOTALL)

# What is another one each time, and no reason to write README anew: the time a record is received, and the
# hashes of a chain that such times are part of.
_EACH_TIME = re.compile(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\dZ|\b[0-9a-f]{64}\b|\b[0-9a-f]{16}\b")
_NUMBER = re.compile(r"\d+(?:\.\d+)?")
# Commands that measure pictures. Other releases of the decoders and another processor round the last bits of a
# pixel and of a sum otherwise, so their last printed digit may differ by one where a value lies near the edge.
# What is worked out without a picture (`expect`) is compared to the letter.
_MEASURES = ("read", "calibrate", "compare", "archive")


@dataclass(frozen=True)
class Example:
    """One command of a block, and the lines that README shows beneath it."""

    command: str
    shown: tuple[str, ...]


def console_blocks(text: str) -> list[list[Example]]:
    """Return the examples of every console block."""
    return [_examples(match.group()) for match in BLOCK.finditer(text)]


def _examples(block: str) -> list[Example]:
    """Split a block at its commands."""
    pieces = re.split(r"^\$ ", block, flags=re.MULTILINE)
    if pieces[0].strip():
        raise ValueError(f"a console block begins with a command, not with {pieces[0].splitlines()[0]!r}")
    found = []
    for piece in pieces[1:]:
        command, *shown = piece.rstrip("\n").split("\n")
        found.append(Example(command, tuple(shown)))
    return found


@contextlib.contextmanager
def in_workplace(folder: Path) -> Iterator[None]:
    """Stand in a folder that looks like the tree and may be written to."""
    for name in ("samples", "reference_charts"):
        (folder / name).symlink_to(ROOT / name, target_is_directory=True)
    before = os.getcwd()
    os.chdir(folder)
    try:
        yield
    finally:
        os.chdir(before)


def run(command: str) -> tuple[int, list[str]]:
    """Run a command of ours; return its status, and the lines that a terminal shows (both streams)."""
    from hueph.cli import main

    words = shlex.split(command)
    if words[0] != "hueph":
        raise ValueError(f"README shows commands of hueph in console blocks, not {command!r}")
    terminal = io.StringIO()
    with contextlib.redirect_stdout(terminal), contextlib.redirect_stderr(terminal):
        status = main(words[1:])
    return status, terminal.getvalue().rstrip("\n").split("\n")


def with_new_output(example: Example, printed: Sequence[str]) -> list[str]:
    """Return what README should show: the same parts of the output, as printed now.

    Raises
    ------
    ValueError
        A part shown before is not in the output any more; it has to be chosen by hand.
    """
    if not example.shown:
        return []
    parts = _parts(example.shown)
    new: list[str] = []
    start = 0
    for number, part in enumerate(parts):
        if number:
            new.append(LEFT_OUT)
        if not part:
            continue
        if number:
            start = _find_label(part[0], printed, start, example.command)
        is_last = number == len(parts) - 1
        stop = len(printed) if is_last else start + len(part)
        new += printed[start:stop]
        start = stop
    if len(new) == len(example.shown):  # lines that only differ in what is another each time stay as they are
        pairs = zip(example.shown, new, strict=True)
        new = [old if _masked(old) == _masked(line) else line for old, line in pairs]
    return new


def _parts(shown: Sequence[str]) -> list[list[str]]:
    """Split the lines shown at those that were left out; the first and last part may be empty."""
    parts: list[list[str]] = [[]]
    for line in shown:
        if line == LEFT_OUT:
            parts.append([])
        else:
            parts[-1].append(line)
    return parts


def _find_label(line: str, printed: Sequence[str], start: int, command: str) -> int:
    """Return where a part begins: the first line from `start` on with the label of `line`."""
    wanted = _label(line)
    for index in range(start, len(printed)):
        if _label(printed[index]) == wanted:
            return index
    raise ValueError(
        f"`{command}` prints no line that begins with {wanted!r}; choose anew what README shows of it"
    )


def _label(line: str) -> str:
    """Return a line up to the first two spaces behind a word."""
    indent = len(line) - len(line.lstrip())
    return line[:indent] + line[indent:].partition("  ")[0]


def differences(example: Example, printed: Sequence[str]) -> list[str]:
    """Say in which lines README differs from what was printed; none when it shows what it should."""
    new = with_new_output(example, printed)
    loose = example.command.split()[1] in _MEASURES
    found = []
    for number in range(max(len(new), len(example.shown))):
        old = example.shown[number] if number < len(example.shown) else "(nothing)"
        line = new[number] if number < len(new) else "(nothing)"
        if not _alike(old, line, loose):
            found.append(f"README shows {old!r}, printed is {line!r}")
    return found


def _masked(line: str) -> str:
    return _EACH_TIME.sub("(another each time)", line)


def _alike(old: str, new: str, loose: bool) -> bool:
    """Compare two lines; `loose` lets the last digit of a number differ by one."""
    old, new = _masked(old), _masked(new)
    if not loose or old == new:
        return old == new
    if _NUMBER.sub("0", old) != _NUMBER.sub("0", new):
        return False
    pairs = zip(_NUMBER.findall(old), _NUMBER.findall(new), strict=True)
    return all(_within_last_digit(*pair) for pair in pairs)


def _within_last_digit(old: str, new: str) -> bool:
    """Say whether two numbers have as many decimals, and differ by one in the last at most.

    Whole numbers of one digit are counts (tubes, drops) and differ by nothing; capacities have two digits.
    """
    decimals = len(old.partition(".")[2])
    if decimals != len(new.partition(".")[2]) or (not decimals and min(len(old), len(new)) < 2):
        return old == new
    return abs(float(old) - float(new)) < 1.5 * 10.0**-decimals


def update(text: str, folder: Path) -> str:
    """Return a document with the output of every console example as it is printed now.

    Parameters
    ----------
    text : str
        The document.
    folder : Path
        An empty folder, or one to be made; each block is run in one of its own inside.

    Raises
    ------
    ValueError
        A command fails, or a part of the output that was shown is not there any more.
    """
    numbers = iter(range(len(text)))

    def rewrite(match: re.Match[str]) -> str:
        place = folder / str(next(numbers))
        place.mkdir(parents=True)
        lines = []
        with in_workplace(place):
            for example in _examples(match.group()):
                status, printed = run(example.command)
                if status:
                    raise ValueError(f"`{example.command}` ended with status {status}: {printed[-1]}")
                lines += [f"$ {example.command}", *with_new_output(example, printed)]
        return "\n".join(lines) + "\n"

    return BLOCK.sub(rewrite, text)
