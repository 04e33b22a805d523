"""The hash chain: what makes a changed, removed or moved record show.

A record is one JSON text, its body. Its link is the SHA-256 of its number, the link before it and
the hash of its body. Whoever keeps one link can check that nothing up to it was changed; and because
a link needs only the body's hash, an export may leave a body out without breaking the chain.
"""

from __future__ import annotations

import hashlib
import json
from typing import Any

__all__ = ["GENESIS", "canonical_json", "link_hash", "text_sha256"]

# The link before the first record.
GENESIS = "0" * 64


def canonical_json(value: Any) -> str:
    """Return the one JSON text of a value: sorted keys, no spaces, ASCII only.

    Parameters
    ----------
    value : JSON-ready value

    Returns
    -------
    str

    Raises
    ------
    ValueError
        A number is not finite.

    Examples
    --------
    >>> canonical_json({"b": 1.50, "a": "pH"})
    '{"a":"pH","b":1.5}'
    """
    return json.dumps(value, sort_keys=True, ensure_ascii=True, allow_nan=False, separators=(",", ":"))


def text_sha256(text: str) -> str:
    """Return the SHA-256 of a text as UTF-8, hexadecimal."""
    return hashlib.sha256(text.encode("utf-8", "surrogatepass")).hexdigest()


def link_hash(number: int, previous: str, body_sha256: str) -> str:
    """Return the link of a record.

    Parameters
    ----------
    number : int
        Place in the chain, from 1.
    previous : str
        Link of the record before, `GENESIS` for the first.
    body_sha256 : str
        Hash of the record's body.

    Returns
    -------
    str
        Hexadecimal.
    """
    return text_sha256(f"hueph chain 1\n{number}\n{previous}\n{body_sha256}\n")
