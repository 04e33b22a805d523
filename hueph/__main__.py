"""The `hueph` command, also called as `python -m hueph`: what answers Ctrl-C before anything else is loaded."""

from __future__ import annotations

import sys

# What hueph.cli.INTERRUPTED says, which cannot be asked while that module is being loaded.
_INTERRUPTED = 130


def main() -> int:
    """Load the command line, run it and return the exit status.

    Returns
    -------
    int
        As of `hueph.cli.main`. It answers an interruption while a command works; one that comes while modules
        are loaded, when there is nothing to say, ends without a word and with the same status.
    """
    try:
        from hueph.cli import main as run

        return run()
    except KeyboardInterrupt:
        return _INTERRUPTED


if __name__ == "__main__":
    sys.exit(main())
