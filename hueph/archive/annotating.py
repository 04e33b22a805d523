"""Notes on records, and corrections of their labels."""

from __future__ import annotations

from hueph.archive.program import program_identity
from hueph.archive.records import Draft, Labels, Link, Record
from hueph.archive.store import Archive
from hueph.errors import ArchiveError

__all__ = ["add_correction", "add_note"]


def add_note(archive: Archive, number: int, text: str, *, who: str = "") -> Record:
    """Add a note on a record, under its labels.

    Parameters
    ----------
    archive : Archive
    number : int
        The record it is about.
    text : str
    who : str
        Who writes.

    Returns
    -------
    Record

    Raises
    ------
    ArchiveError
        No such record, or nothing said.
    """
    if not text.strip():
        raise ArchiveError(f"a note on record {number} must say something, got an empty text")
    about = archive.record(number)
    labels = Labels(who, about.labels.experiment, about.labels.sample, about.labels.step)
    return archive.add(
        Draft(
            kind="note",
            payload={"text": text},
            labels=labels,
            links=(Link(number, "notes"),),
            program=program_identity(),
            summary=f"on record {number}: {' '.join(text.split())}",
            is_repeatable=True,
        )
    )


def add_correction(archive: Archive, number: int, text: str, labels: Labels, *, who: str = "") -> Record:
    """Correct the labels of a record; the record itself stays as it is.

    Parameters
    ----------
    archive : Archive
    number : int
        The record to correct.
    text : str
        Why.
    labels : Labels
        All labels as they should have been.
    who : str
        Who corrects.

    Returns
    -------
    Record

    Raises
    ------
    ArchiveError
        No such record, or a record that has no labels of its own.
    """
    about = archive.record(number)
    if about.kind in ("note", "correction"):
        raise ArchiveError(
            f"record {number} is a {about.kind}; correct the record it is about: {about.links[0].number}"
        )
    return archive.add(
        Draft(
            kind="correction",
            payload={"text": text, "corrected_by": who},
            labels=labels,
            links=(Link(number, "corrects"),),
            program=program_identity(),
            summary=f"labels of record {number}: {' '.join(text.split())}",
            is_repeatable=True,
        )
    )
