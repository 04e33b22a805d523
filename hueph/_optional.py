"""Optional packages, imported where they are used."""

from __future__ import annotations

import importlib
from types import ModuleType

from hueph.errors import MissingDependency


def require(module: str, *, purpose: str, extra: str) -> ModuleType:
    """Import an optional module or say in one sentence how to get it.

    Raises
    ------
    MissingDependency
        The package is not installed.
    """
    try:
        return importlib.import_module(module)
    except ImportError as error:
        package = module.partition(".")[0]
        raise MissingDependency(
            f"{purpose} needs the package {package}, which is not installed; "
            f"install it with: pip install 'hueph[{extra}]'"
        ) from error
