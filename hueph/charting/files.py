"""Files that are written whole or not at all, and never over another unasked."""

from __future__ import annotations

from pathlib import Path

from hueph._types import PathLike
from hueph.chart import write_whole
from hueph.errors import ChartError

__all__ = ["check_free", "write_bytes"]


def check_free(path: PathLike, *, force: bool = False) -> None:
    """Say at once when a file could not be written, before any work is done.

    Raises
    ------
    ChartError
        The file exists and `force` is not given, it is a folder, or its folder does not exist.
    """
    file = Path(path)
    if file.is_dir():
        raise ChartError(f"cannot write {file}: this is a folder; name a file")
    if file.exists() and not force:
        raise ChartError(
            f"cannot write {file}: the file exists and is never overwritten unasked; name another or add --force"
        )
    if not file.parent.is_dir():
        raise ChartError(f"cannot write {file}: there is no folder {file.parent}; make it first")


def write_bytes(path: PathLike, data: bytes, *, force: bool = False) -> None:
    """Write a file whole or not at all.

    Raises
    ------
    ChartError
        As `check_free`, or writing fails.
    """
    check_free(path, force=force)
    write_whole(Path(path), data, force=force)
