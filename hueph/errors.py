"""Every error hueph raises on purpose.

::

    HuephError
    ├── InputError (ValueError)          a caller passed something that breaks a stated rule
    ├── NotFittedError (RuntimeError)    a model was used before it was fitted
    ├── PhotoError (ValueError)          a file cannot be used as a photograph
    ├── StripNotFound (LookupError)      no reference strip, or not surely enough
    ├── TubesNotFound (LookupError)      no vessel with liquid
    ├── ChartError (ValueError)          a chart file or chart picture is wrong
    ├── RecipeError (ValueError)         a recipe is wrong
    ├── ArchiveError (RuntimeError)      the evidence archive cannot do what was asked
    └── MissingDependency (ImportError)  an optional package is not installed

Text in this order: what was being done and on what, the rule, what was found, what to do.
"""

from __future__ import annotations

__all__ = [
    "ArchiveError",
    "ChartError",
    "HuephError",
    "InputError",
    "MissingDependency",
    "NotFittedError",
    "PhotoError",
    "RecipeError",
    "StripNotFound",
    "TubesNotFound",
]


class HuephError(Exception):
    """Base of every error hueph raises on purpose; its text is one sentence for a person."""


class InputError(HuephError, ValueError):
    """A caller passed something that breaks a stated rule."""


class NotFittedError(HuephError, RuntimeError):
    """A model was asked to predict before it was fitted."""


class PhotoError(HuephError, ValueError):
    """A file cannot be used as a photograph."""


class StripNotFound(HuephError, LookupError):
    """No reference strip was found, or its order is not certain.

    Attributes
    ----------
    reason : str
        One of ``"too-small"``, ``"cut-off"``, ``"blurred"``, ``"too-few-patches"``,
        ``"order-ambiguous"``, ``"not-seen"``.
    """

    def __init__(self, message: str, *, reason: str = "not-seen") -> None:
        super().__init__(message)
        self.reason = reason

    def __reduce__(self) -> tuple[object, ...]:
        return (_rebuild_strip_not_found, (str(self), self.reason))


def _rebuild_strip_not_found(message: str, reason: str) -> StripNotFound:
    """Unpickle with the keyword argument (results travel between worker processes)."""
    return StripNotFound(message, reason=reason)


class TubesNotFound(HuephError, LookupError):
    """No vessel with liquid was found."""


class ChartError(HuephError, ValueError):
    """A chart file or a picture of a chart is wrong."""


class RecipeError(HuephError, ValueError):
    """A recipe is wrong; the text names the line."""


class ArchiveError(HuephError, RuntimeError):
    """The evidence archive cannot do what was asked."""


class MissingDependency(HuephError, ImportError):
    """An optional package is not installed; the text says how to install it."""
