"""Folders that appear under their name only when complete, and names that survive a power cut."""

from __future__ import annotations

import contextlib
import os
import secrets
import shutil
from collections.abc import Iterator
from pathlib import Path

__all__ = ["folder_beside", "sync_folder"]


@contextlib.contextmanager
def folder_beside(target: Path) -> Iterator[Path]:
    """Lend a new folder beside a destination, to be filled and renamed to it.

    What still lies there in the end is removed, and so are the folders above it that were made for it,
    unless something else was put into them.

    Parameters
    ----------
    target : Path

    Raises
    ------
    OSError
        It cannot be made.
    """
    above = [folder for folder in target.absolute().parents if not folder.exists()]
    part = target.with_name(f".{target.name}.{secrets.token_hex(4)}.part")
    try:
        # Made with the rights that the user's mask gives, unlike those of the tempfile module.
        part.mkdir(parents=True)
        yield part
    finally:
        shutil.rmtree(part, ignore_errors=True)
        with contextlib.suppress(OSError):
            for folder in above:
                folder.rmdir()


def sync_folder(folder: Path) -> None:
    """Make the names in a folder survive a power cut, where the system can."""
    with contextlib.suppress(OSError):
        handle = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)
