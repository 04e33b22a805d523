"""Where each key of a chart file stands, and numbers that are checked with the line they stand on."""

from __future__ import annotations

import math
import re
from typing import Any, NoReturn

from hueph.errors import ChartError

__all__ = ["Lines", "is_number"]

_HEADER = re.compile(r"^\s*(\[\[?)\s*([A-Za-z0-9_\-]+)\s*\]\]?")
_KEY = re.compile(r"^\s*\"?([A-Za-z0-9_\-]+)\"?\s*=")


class Lines:
    """Where each key of the file stands."""

    def __init__(self, text: str, file: str, tables: tuple[str, ...]) -> None:
        self.file = file
        self.where: dict[tuple[str, int, str], int] = {}
        table, counts, index = "", dict.fromkeys(tables, -1), -1
        for number, line in enumerate(text.splitlines(), start=1):
            if header := _HEADER.match(line):
                table = header[2]
                counts[table] = index = counts.get(table, -1) + 1
                self.where[(table, index, "")] = number
            elif key := _KEY.match(line):
                self.where.setdefault((table, index if table else -1, key[1]), number)

    def fail(self, problem: str, key: str = "", table: str = "", index: int = -1) -> NoReturn:
        """Raise with the line of a key, or of the table that should hold it."""
        line = self.where.get((table, index, key)) or self.where.get((table, index, ""))
        place = f"{self.file}, line {line}" if line else self.file
        raise ChartError(f"{place}: {problem}")

    def number(self, entry: dict[str, Any], key: str, table: str, index: int) -> float:
        """Return a number of one table's entry."""
        if key not in entry:
            self.fail(f"{table} {index + 1} has no `{key}`; add one", "", table, index)
        value = entry[key]
        if not is_number(value):
            self.fail(f"`{key}` of {table} {index + 1} must be a number, got {value!r}", key, table, index)
        return float(value)

    def numbers(
        self, entry: dict[str, Any], key: str, count: int, table: str = "", index: int = -1
    ) -> tuple[float, ...]:
        """Return several numbers of one table's entry, or of the chart itself."""
        owner = f"{table} {index + 1}" if table else "the chart"
        if key not in entry:
            self.fail(f"{owner} has no `{key}`; add {key} = [{', '.join(['...'] * count)}]", "", table, index)
        value = entry[key]
        if not (isinstance(value, list) and len(value) == count and all(map(is_number, value))):
            self.fail(
                f"`{key}` of {owner} must be {count} numbers in brackets, got {value!r}", key, table, index
            )
        return tuple(float(number) for number in value)


def is_number(value: object) -> bool:
    """Say whether a TOML value is a finite number."""
    return isinstance(value, int | float) and not isinstance(value, bool) and math.isfinite(value)
