"""What computed a result: enough to tell whether a later computation used the same."""

from __future__ import annotations

import functools
import hashlib
import importlib.metadata
from pathlib import Path
from typing import Any

import hueph

__all__ = ["measuring_files", "program_identity", "same_program"]

# What readings, expectations and comparisons run through, beside the modules of the package itself; a change
# elsewhere cannot change a result. A test holds this complete.
_MEASURING = ("_photo", "chemistry", "colour", "comparing", "estimating", "locate")
_CODE, _LEARNED = (".py", ".toml", ".csv"), (".npz", ".json")
_LIBRARIES = ("numpy", "scipy", "opencv-python-headless", "pillow", "simplejpeg", "pillow-heif")


def measuring_files() -> list[Path]:
    """Return every file, code, table or learned weights, that a result depends on."""
    package = Path(hueph.__file__).parent
    files = sorted(package.glob("*.py"))
    for part in _MEASURING:
        files += sorted(file for file in (package / part).rglob("*") if file.suffix in _CODE + _LEARNED)
    return files


@functools.cache
def _identity() -> tuple[str, str, tuple[tuple[str, str], ...]]:
    """Return the hash of the measuring code, that of the learned weights, and the libraries' versions."""
    package = Path(hueph.__file__).parent
    code, weights = hashlib.sha256(), hashlib.sha256()
    for file in measuring_files():
        name = file.relative_to(package).as_posix().encode()
        digest = hashlib.sha256(file.read_bytes()).digest()
        (weights if file.suffix in _LEARNED else code).update(name + b"\0" + digest)
    return code.hexdigest(), weights.hexdigest(), tuple((name, _version(name)) for name in _LIBRARIES)


def _version(name: str) -> str:
    try:
        return importlib.metadata.version(name)
    except importlib.metadata.PackageNotFoundError:
        return ""


def program_identity() -> dict[str, Any]:
    """Return version, hash of the measuring code, hash of the learned weights, and libraries' versions.

    Returns
    -------
    dict
        JSON-ready: "version", "code_sha256", "weights_sha256", "libraries".
    """
    code, weights, libraries = _identity()
    return {
        "version": hueph.__version__,
        "code_sha256": code,
        "weights_sha256": weights,
        "libraries": dict(libraries),
    }


def same_program(recorded: dict[str, Any]) -> str:
    """Say how the program that made a record differs from this one, "" when it does not.

    Parameters
    ----------
    recorded : dict
        From `program_identity`, as it stands in a record.

    Returns
    -------
    str
        For example "version 0.1.0, here 0.2.0; other weights".
    """
    here, found = program_identity(), []
    if recorded.get("version") != here["version"]:
        found.append(f"version {recorded.get('version') or 'unknown'}, here {here['version']}")
    if recorded.get("weights_sha256") != here["weights_sha256"]:
        found.append("other weights")
    if recorded.get("code_sha256") != here["code_sha256"]:
        found.append("other measuring code")
    libraries = recorded.get("libraries")
    known = libraries if isinstance(libraries, dict) else {}
    found += [
        f"{name} {known.get(name) or 'unknown'}, here {version}"
        for name, version in here["libraries"].items()
        if known.get(name) != version
    ]
    return "; ".join(found)
