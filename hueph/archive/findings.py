"""What checking an archive finds."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

from hueph.archive.chain import GENESIS

__all__ = ["Finding", "Verification", "damage", "note"]


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing that verification found.

    Attributes
    ----------
    is_damage : bool
        False for what is only good to know.
    where : str
        "record 3", "file ab12...", "chain".
    text : str
    details : tuple of str
        What it sums up.
    """

    is_damage: bool
    where: str
    text: str
    details: tuple[str, ...] = ()

    def __str__(self) -> str:
        return f"{'DAMAGE' if self.is_damage else 'note'}  {self.where}: {self.text}"


@dataclass(slots=True)
class Verification:
    """What was checked and what was found.

    Attributes
    ----------
    records, files, recomputed, compared, withheld : int
        Counts of what was checked; `withheld` records were left out of the export this came from.
    head : str
        Link of the last record as recomputed from the first on.
    damages, notes : int
    findings : list of Finding
        At most `most`; the counts go on.
    """

    records: int = 0
    files: int = 0
    recomputed: int = 0
    compared: int = 0
    withheld: int = 0
    head: str = GENESIS
    damages: int = 0
    notes: int = 0
    findings: list[Finding] = field(default_factory=list)

    @property
    def is_sound(self) -> bool:
        """True when no damage was found."""
        return self.damages == 0

    def to_dict(self) -> dict[str, Any]:
        """Return the JSON-ready form."""
        return {
            "sound": self.is_sound,
            "records": self.records,
            "files": self.files,
            "recomputed": self.recomputed,
            "compared": self.compared,
            "withheld": self.withheld,
            "head": self.head,
            "damages": self.damages,
            "notes": self.notes,
            "findings": [
                {"damage": finding.is_damage, "where": finding.where, "text": finding.text}
                | ({"details": list(finding.details)} if finding.details else {})
                for finding in self.findings
            ],
        }


def damage(where: str, text: str) -> Finding:
    """Return a finding of something changed, removed, added or moved."""
    return Finding(True, where, text)


def note(where: str, text: str) -> Finding:
    """Return a finding that is no damage."""
    return Finding(False, where, text)
