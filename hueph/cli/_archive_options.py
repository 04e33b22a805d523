"""Options of every command that records evidence, defined once."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING, Any, TypeVar

import click

if TYPE_CHECKING:
    from hueph.archive.keeping import Keeper
    from hueph.archive.records import Labels
    from hueph.archive.store import Archive
    from hueph.expecting import ExpectRequest

__all__ = [
    "archive_option",
    "keeper",
    "label_options",
    "labels",
    "need_archives",
    "open_kept",
    "prepare_archive",
    "record_calibration",
    "where_to_keep_option",
]

Command = TypeVar("Command", bound=Callable[..., Any])
VARIABLE = "HUEPH_ARCHIVE"
_LABELS = {
    "who": "Who did it.",
    "experiment": "Experiment it belongs to.",
    "sample": "Sample, or the names of the tubes from left to right, separated by commas.",
    "step": "Step of the experiment.",
}

# For commands about an archive ...
archive_option = click.option(
    "--archive",
    "target",
    metavar="ARCHIVE",
    envvar=VARIABLE,
    show_envvar=True,  # so that it stands in the sentence about a missing archive
    required=True,
    help=f"Archive: a folder, or postgresql://user@host/database. Without it, {VARIABLE} is asked.",
)
# ... and for those that may record what they do.
where_to_keep_option = click.option(
    "--archive",
    "target",
    metavar="ARCHIVE",
    envvar=VARIABLE,
    help=f"Record it in this archive, made when missing. Without it, {VARIABLE} is asked.",
)


def label_options(command: Command) -> Command:
    """Give a command the options --who, --experiment, --sample and --step."""
    for name, text in reversed(_LABELS.items()):
        command = click.option(f"--{name}", metavar="TEXT", default=None, help=text)(command)
    return command


def labels(who: str | None, experiment: str | None, sample: str | None, step: str | None) -> Labels:
    """Return labels; what is not said is ""."""
    from hueph.archive.records import Labels

    return Labels(who or "", experiment or "", sample or "", step or "")


def need_archives() -> None:
    """See that the packages which keep an archive are there.

    Raises
    ------
    MissingDependency
        The extra `archive` is not installed.
    """
    from hueph._optional import require

    require("sqlalchemy", purpose="keeping an archive", extra="archive")


def open_kept(target: str) -> Archive:
    """Open an archive that is there.

    Raises
    ------
    ArchiveError
        There is none, or it cannot be opened.
    MissingDependency
        The extra `archive` is not installed.
    """
    need_archives()
    from hueph.archive.store import open_archive

    return open_archive(target)


def prepare_archive(target: str | None, known: dict[str, str | None]) -> None:
    """Open the archive before any work is done; it is made when missing. Without one, say what labels are for.

    Raises
    ------
    ArchiveError
        The archive can be neither opened nor made.
    """
    if target is None:
        said = [f"--{name}" for name in _LABELS if known[name] is not None]
        if said:
            click.echo(
                f"note: nothing is recorded, so {', '.join(said)} changes nothing: "
                f"name an archive with --archive or {VARIABLE}",
                err=True,
            )
        return
    need_archives()
    from hueph.archive.store import open_archive

    with open_archive(target, create=True):
        pass


def keeper(
    target: str | None,
    known: dict[str, str | None],
    corrects: int | None = None,
    asked: tuple[ExpectRequest, ...] = (),
) -> Keeper | None:
    """Return what records photographs into an archive, which is made when missing; None without one.

    Raises
    ------
    ArchiveError
        The archive can be neither opened nor made, or has no record to correct.
    """
    prepare_archive(target, known)
    if target is None:
        return None
    from hueph.archive.keeping import Keeper
    from hueph.archive.store import open_archive

    if corrects is not None:
        with open_archive(target) as archive:
            archive.record(corrects)
    return Keeper(target, labels(**known), corrects, asked)


def record_calibration(
    target: str | None,
    chart: str,
    pictures: Sequence[str],
    found: dict[str, Any],
    said: dict[str, str | None],
    *,
    is_check: bool = False,
) -> None:
    """Record a chart file that was just written, with the pictures it came from; nothing without an archive.

    With `is_check`, `found` is how far those pictures have drifted from a chart file that was there.

    Raises
    ------
    ArchiveError
        The archive cannot be written; the chart file stays.
    """
    if target is None:
        return
    need_archives()
    from hueph.archive.keeping import add_calibration
    from hueph.archive.store import open_archive
    from hueph.chart import load_chart

    with open_archive(target, create=True) as archive:
        known = load_chart(chart)
        record = add_calibration(
            archive,
            known,
            pictures=pictures,
            payload=None if is_check else found,
            check=found if is_check else None,
            labels=labels(**said),
        )
        click.echo(f"record {record.number}  {record.summary}", err=True)
