"""Small turns of phrase that many sentences for people need."""

from __future__ import annotations

__all__ = ["counted"]


def counted(number: int, noun: str) -> str:
    """Return a number with its noun, with an s unless it is one: "1 photograph", "0 notes"."""
    return f"{number} {noun}" if number == 1 else f"{number} {noun}s"
