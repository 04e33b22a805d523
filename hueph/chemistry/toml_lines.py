"""TOML with line numbers: which line holds a key, and what a syntax error says in one sentence."""

from __future__ import annotations

import os
import re
import tomllib
from pathlib import Path
from typing import Any

from hueph._system import system_sentence
from hueph._types import PathLike
from hueph.errors import RecipeError

__all__ = ["LineMap", "parse_toml", "read_toml_text"]

_MAX_BYTES = 200_000

KeyPath = tuple[str, ...]
_AT = re.compile(r"\s*\(at (?:line (\d+), column (\d+)|end of document)\)$")
_HEADER = re.compile(r"^\s*\[+(.+?)\]+\s*(?:#.*)?$")


def read_toml_text(path: PathLike, kind: str) -> str:
    """Return the text of a file that people write by hand.

    Parameters
    ----------
    path : path
    kind : str
        What it is, with its article, for the sentence of an error.

    Raises
    ------
    RecipeError
        It cannot be opened, holds more than 200 kB, or is not UTF-8.
    """
    name = Path(path).name or os.fspath(path)  # the folders "." and "/" have no name
    try:
        with open(path, "rb") as file:
            raw = file.read(_MAX_BYTES + 1)
    except OSError as error:
        raise RecipeError(f"reading {name}: the file cannot be opened: {system_sentence(error)}") from error
    if len(raw) > _MAX_BYTES:
        raise RecipeError(f"reading {name}: {kind} may hold 200 kB, this file is larger; check the name")
    try:
        return raw.decode("utf-8").removeprefix("\ufeff")
    except UnicodeDecodeError as error:
        line = raw[: error.start].count(b"\n") + 1
        raise RecipeError(
            f"reading {name}, line {line}: the text is not UTF-8; check that it is {kind}, and save it as UTF-8"
        ) from error


class LineMap:
    """Lines of the keys of a valid TOML text.

    The standard library's parser keeps no positions. Statements of a valid file are valid on their own, so
    the text is cut into statements by trying, and each one's own keys are taken from its parse.
    """

    def __init__(self, text: str) -> None:
        self._lines: dict[KeyPath, int] = {}
        section: KeyPath = ()
        lines = text.replace("\r\n", "\n").split("\n")
        index = 0
        while index < len(lines):
            start, line = index, lines[index].strip()
            index += 1
            if not line or line.startswith("#"):
                continue
            header = _HEADER.match(line)
            if header is not None and "=" not in line.split("]")[0]:
                section = _path(tomllib.loads(line))
                self._lines.setdefault(section, start + 1)
                continue
            statement = lines[start]
            while not _is_whole(statement) and index < len(lines):
                statement += "\n" + lines[index]
                index += 1
            if _is_whole(statement):
                for path in _all_paths(tomllib.loads(statement)):
                    self._lines.setdefault(section + path, start + 1)

    def line(self, *path: str) -> int:
        """Return the line of a key, or of the nearest table above it, or 1."""
        for length in range(len(path), 0, -1):
            if path[:length] in self._lines:
                return self._lines[path[:length]]
        return 1


def parse_toml(text: str, name: str) -> dict[str, Any]:
    """Parse a TOML text.

    Raises
    ------
    RecipeError
        Not TOML; the sentence names the line and the column.
    """
    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        message = str(error).split("\n")[0]
        at = _AT.search(message)
        reason = message[: at.start()] if at else message
        if at is not None and at.group(1):
            line, column = int(at.group(1)), int(at.group(2))
            where = f"line {line}, column {column}"
            # The commonest slip of those who write in another language than English.
            found = text.split("\n")[line - 1][column - 1 : column]
            if found.isalpha() and not found.isascii():
                reason = f'{reason.rstrip()}; a name with letters such as "{found}" must stand in quotes'
        else:
            where = f"line {text.rstrip().count(chr(10)) + 1}, at its end"
        raise RecipeError(f"reading {name}, {where}: not valid TOML ({_plain(reason)})") from error
    except RecursionError as error:
        raise RecipeError(f"reading {name}, line 1: brackets are nested too deeply") from error


def _plain(reason: str) -> str:
    """Lower-case the first letter and add the usual cure for the commonest slip."""
    reason = reason[:1].lower() + reason[1:]
    if "invalid value" in reason:
        return f"{reason}; texts must stand in quotes"
    return reason


def _is_whole(statement: str) -> bool:
    try:
        tomllib.loads(statement)
    except (tomllib.TOMLDecodeError, RecursionError):
        return False
    return True


def _path(document: dict[str, Any]) -> KeyPath:
    """Path of the only table in a parsed header."""
    path: list[str] = []
    node: Any = document
    while isinstance(node, dict) and node:
        key = next(iter(node))
        path.append(key)
        node = node[key]
        if isinstance(node, list):
            node = node[0]
    return tuple(path)


def _all_paths(document: dict[str, Any]) -> list[KeyPath]:
    """Every key path of a small document, outer ones first."""
    found: list[KeyPath] = []
    for key, value in document.items():
        found.append((key,))
        if isinstance(value, dict):
            found.extend((key, *path) for path in _all_paths(value))
    return found
