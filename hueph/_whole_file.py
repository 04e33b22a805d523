"""Files that appear under their name only when they are complete."""

from __future__ import annotations

import contextlib
import os
import secrets
from collections.abc import Iterator
from pathlib import Path

__all__ = ["written_whole"]


@contextlib.contextmanager
def written_whole(target: Path) -> Iterator[Path]:
    """Lend a name of its own beside a target; what was written there is given the target's name at the end.

    An older file of that name is replaced. When writing fails, it stays, and nothing else is left.

    Parameters
    ----------
    target : Path
        The lent name has its ending.

    Raises
    ------
    OSError
        It cannot be written.
    """
    # Written with the rights that the user's mask gives, unlike files of the tempfile module.
    part = target.with_name(f".hueph-{secrets.token_hex(6)}{target.suffix}")
    try:
        yield part
        os.replace(part, target)
    except OSError as error:
        if error.filename is not None and os.fspath(error.filename) == os.fspath(part):
            error.filename = os.fspath(target)  # the name that people know
        raise
    finally:
        with contextlib.suppress(OSError):
            part.unlink(missing_ok=True)
