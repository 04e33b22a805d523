"""Which records of an archive are meant."""

from __future__ import annotations

import datetime
import re
from dataclasses import dataclass

from sqlalchemy import ColumnElement

from hueph.archive.schema import record
from hueph.errors import InputError

__all__ = ["Filter"]

# The beginning of a time as records state it, down to any part.
_DATE = re.compile(r"\d{4}(-\d\d(-\d\d(T\d\d(:\d\d(:\d\d)?)?Z?)?)?)?")


@dataclass(frozen=True, slots=True)
class Filter:
    """Which records are meant; None and "" mean all.

    Attributes
    ----------
    who, experiment, sample, step, kind, chart : str or None
        Exactly this label, kind, or name of the chart.
    since, until : str
        Received from, and before, this time or day, UTC, as it begins: "2026-03", "2026-03-21".
    original : str
        SHA-256 of the photograph.
    """

    who: str | None = None
    experiment: str | None = None
    sample: str | None = None
    step: str | None = None
    kind: str | None = None
    chart: str | None = None
    since: str = ""
    until: str = ""
    original: str = ""

    def __post_init__(self) -> None:
        for name in ("since", "until"):
            value = getattr(self, name)
            if value and not _DATE.fullmatch(value):
                raise InputError(
                    f"the time {name} which records are meant must begin like 2026-03-21T10:00:00Z, got {value!r}"
                )
            try:
                begun = value.removesuffix("Z")
                datetime.datetime.fromisoformat(begun + "0001-01-01T00:00:00Z"[len(begun) :])
            except ValueError as error:
                raise InputError(
                    f"the time {name} which records are meant must be in the calendar, got {value!r}"
                ) from error

    def conditions(self) -> list[ColumnElement[bool]]:
        """Return the conditions in SQL."""
        found = [
            record.c[name] == value
            for name in ("who", "experiment", "sample", "step", "kind", "chart")
            if (value := getattr(self, name)) is not None
        ]
        if self.original:
            found.append(record.c.original == self.original)
        if self.since:
            found.append(record.c.received >= self.since)
        if self.until:
            found.append(record.c.received < self.until)
        return found
