"""Which records belong together, after corrections: the members of an experiment and their labels."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from hueph.archive.calibrated import chart_hash
from hueph.archive.filters import Filter
from hueph.archive.records import Labels, Record
from hueph.archive.store import Archive
from hueph.errors import ArchiveError, InputError

__all__ = ["Selection", "check_experiments", "corrected_labels", "select_records"]


@dataclass(frozen=True, slots=True)
class Selection:
    """Numbers of records, None for all, and the labels that corrections gave."""

    numbers: frozenset[int] | None
    labels: dict[int, Labels]

    def holds(self, number: int) -> bool:
        """Say whether a record is meant."""
        return self.numbers is None or number in self.numbers

    def labels_of(self, record: Record) -> Labels:
        """Return a record's labels as last corrected."""
        return self.labels.get(record.number, record.labels)


def corrected_labels(archive: Archive) -> dict[int, Labels]:
    """Return the labels of every record whose labels were corrected; the last correction counts."""
    return {
        link.number: record.labels
        for record in archive.records(Filter(kind="correction"))
        for link in record.links
    }


def check_experiments(archive: Archive, experiments: Iterable[str]) -> None:
    """Refuse an experiment that no record has.

    Raises
    ------
    InputError
        The text names those there are.
    """
    known = archive.values("experiment")
    for name in experiments:
        if name not in known:
            listed = ", ".join(known[:10]) or "none; name one with --experiment when adding"
            raise InputError(f"there is no experiment {name!r} in the archive; there are: {listed}")


def select_records(archive: Archive, experiments: Iterable[str]) -> Selection:
    """Return the records of experiments, with the notes on them, the records and the charts they use.

    Parameters
    ----------
    archive : Archive
    experiments : iterable of str
        None at all means everything.

    Returns
    -------
    Selection

    Raises
    ------
    InputError
        No record has one of these experiments.
    """
    wanted = list(experiments)
    labels = corrected_labels(archive)
    if not wanted:
        return Selection(None, labels)
    check_experiments(archive, wanted)
    members: set[int] = set()
    for name in wanted:
        entries = archive.entries(Filter(experiment=name))
        members |= {
            entry.number
            for entry in entries
            if labels.get(entry.number, Labels(experiment=name)).experiment == name
        }
        members |= {number for number, corrected in labels.items() if corrected.experiment == name}
    members |= _calibrations_of(archive, members)
    for number in sorted(members):
        members |= {other for other, _ in archive.pointing_to(number)}
    for number in sorted(members):
        try:
            members |= {link.number for link in archive.record(number).links}
        except ArchiveError:
            continue  # verify reports it
    return Selection(frozenset(members), labels)


def _calibrations_of(archive: Archive, members: Iterable[int]) -> set[int]:
    """Return the records of how the charts of readings were made and checked, whatever their labels."""
    made: dict[str, set[int]] = {}
    for record in archive.records(Filter(kind="calibration")):
        made.setdefault(chart_hash(record), set()).add(record.number)
    if not made:
        return set()
    used: set[int] = set()
    for number in members:
        try:
            used |= made.get(chart_hash(archive.record(number)), set())
        except ArchiveError:
            continue  # verify reports it
    return used
