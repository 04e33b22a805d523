"""What a command writes must not be what it reads: said before any work is done."""

from __future__ import annotations

import contextlib
import os
from collections.abc import Iterable, Iterator
from pathlib import Path

from hueph.errors import InputError

__all__ = ["check_outputs", "output_file"]


def check_outputs(written: Iterable[tuple[str, str | None]], read: Iterable[str]) -> None:
    """Refuse outputs that would destroy an input, or one another.

    Parameters
    ----------
    written : iterable of (str, str or None)
        Option, and the file it names; None where it was not given.
    read : iterable of str
        Files that the command reads.

    Raises
    ------
    InputError
        An output is one of the files read, or two outputs are one file.
    """
    taken: dict[str, str] = {}
    for option, name in written:
        if name is None or not _is_plain(name):
            continue
        other = taken.setdefault(os.path.realpath(name), option)
        if other != option:
            raise InputError(f"cannot write {name}: {other} and {option} both name this file; name two")
    if not taken:
        return
    for name in read:
        reason = taken.get(os.path.realpath(name))
        if reason is not None:
            raise InputError(
                f"cannot write {name}: it is read here, and {reason} would replace it; name another file"
            )


@contextlib.contextmanager
def output_file(name: str) -> Iterator[Path]:
    """Lend a name to write to, so that the file is there whole or not at all; a device is written as it is.

    Raises
    ------
    OSError
        It cannot be written.
    """
    if not _is_plain(name):
        yield Path(name)
        return
    from hueph._whole_file import written_whole

    with written_whole(Path(name)) as part:
        yield part


def _is_plain(name: str) -> bool:
    """Say whether writing replaces what is there; a device or a pipe only passes it on."""
    return os.path.isfile(name) or not os.path.exists(name)
