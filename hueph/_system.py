"""What the system says when it refuses to read or write, and what a person can do about it."""

from __future__ import annotations

import errno

__all__ = ["system_sentence"]

_REMEDIES = {
    errno.ENOSPC: "free some space and repeat",
    errno.EDQUOT: "free some space and repeat",
    errno.EACCES: "change its rights or name another place",
    errno.EPERM: "change its rights or name another place",
    errno.EROFS: "name another place",
    errno.ENOENT: "check the name and the folder",
    errno.ENOTDIR: "check the name and the folder",
    errno.EISDIR: "name a file, not a folder",
    errno.EEXIST: "name another place",
    errno.ENAMETOOLONG: "choose a shorter name",
}


def system_sentence(error: OSError) -> str:
    """Return the system's reason, followed by a remedy.

    Parameters
    ----------
    error : OSError
        As it was raised; some libraries raise ones without number and reason of the system.
    """
    return f"{error.strerror or error}; {_REMEDIES.get(error.errno or 0, 'check the name and the disk')}"
