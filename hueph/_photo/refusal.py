"""The sentence with which a file is refused."""

from __future__ import annotations

from hueph.errors import PhotoError

READABLE = "JPEG, PNG, TIFF, WebP or HEIC"
SEND_ORIGINAL = "copy the original again from the phone or camera"


def refused(name: str, rule: str, found: str, advice: str) -> PhotoError:
    """Return the error for a file: what was being done, the rule, what was found, what to do."""
    return PhotoError(f"cannot read photograph {name}: {rule}, {found}; {advice}")


def damaged(name: str, found: str) -> PhotoError:
    """Return the error for a file whose picture data are not whole."""
    return refused(name, "the picture data must be whole", found, SEND_ORIGINAL)


def high_dynamic_range(name: str) -> PhotoError:
    """Return the error for a picture whose code values do not stand for a share of white."""
    rule, found = "a photograph must be of standard range", "this file uses a high-dynamic-range curve"
    return refused(name, rule, found, "export it as an ordinary JPEG or PNG")
