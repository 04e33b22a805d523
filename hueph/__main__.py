"""`python -m hueph` is the `hueph` command."""

from __future__ import annotations

import sys

from hueph.cli import main

if __name__ == "__main__":
    sys.exit(main())
