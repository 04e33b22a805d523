"""BagIt bags (RFC 8493): files with their hashes, written whole or not at all, and checked."""

from __future__ import annotations

import contextlib
import errno
import hashlib
import os
from collections.abc import Iterable, Iterator
from pathlib import Path
from types import TracebackType

from hueph.archive.beside import folder_beside
from hueph.archive.connect import sentences
from hueph.archive.originals import stream_sha256
from hueph.errors import ArchiveError

__all__ = ["BagWriter", "check_bag"]

_BLOCK = 1 << 20
_DECLARATION = "BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\n"


class BagWriter:
    """Writes a bag beside its destination and moves it there when it is complete.

    Parameters
    ----------
    folder : path
        Must not exist.

    Attributes
    ----------
    files, size : int
        Payload so far.
    sizes : dict
        Bytes of each payload file, by its name.
    """

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._beside = folder_beside(folder)
        self._part = Path()
        self._hashes: dict[str, str] = {}
        self.sizes: dict[str, int] = {}
        self.files = 0
        self.size = 0

    def __enter__(self) -> BagWriter:
        if self._folder.exists():
            raise self._taken()
        with sentences(f"writing the bag {self._folder}"):
            self._part = self._beside.__enter__()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._beside.__exit__(kind, error, trace)

    def _taken(self) -> ArchiveError:
        return ArchiveError(
            f"cannot write the bag {self._folder}: there is something of this name already; name another"
        )

    def has(self, name: str) -> bool:
        """Say whether a payload file of this name was written."""
        return f"data/{name}" in self._hashes

    def hash_of(self, name: str) -> str:
        """Return the hash of a payload file that was written."""
        return self._hashes[f"data/{name}"]

    def add(self, name: str, blocks: Iterable[bytes]) -> str:
        """Write a payload file from pieces and return its hash.

        Parameters
        ----------
        name : str
            Relative to the payload folder, with slashes.
        blocks : iterable of bytes
        """
        path, digest, size = self._part / "data" / name, hashlib.sha256(), 0
        with sentences(f"writing the bag {self._folder}"):
            path.parent.mkdir(parents=True, exist_ok=True)
            with open(path, "wb") as stream:
                for block in blocks:
                    stream.write(block)
                    digest.update(block)
                    size += len(block)
                stream.flush()
                os.fsync(stream.fileno())
        self._hashes[f"data/{name}"] = digest.hexdigest()
        self.sizes[name] = size
        self.files += 1
        self.size += size
        return digest.hexdigest()

    def finish(self, info: dict[str, str]) -> None:
        """Write the tag files and move the bag to its place.

        Parameters
        ----------
        info : dict
            Lines of bag-info.txt, besides the sum of the payload.
        """
        lines = [f"{name}: {' '.join(text.split())}\n" for name, text in info.items()]
        lines.append(f"Payload-Oxum: {self.size}.{self.files}\n")
        tags = {
            "bagit.txt": _DECLARATION,
            "bag-info.txt": "".join(lines),
            "manifest-sha256.txt": _manifest(self._hashes),
        }
        hashes = {name: hashlib.sha256(text.encode()).hexdigest() for name, text in tags.items()}
        tags["tagmanifest-sha256.txt"] = _manifest(hashes)
        with sentences(f"writing the bag {self._folder}"):
            for name, text in tags.items():
                (self._part / name).write_text(text, encoding="utf-8", newline="\n")
            try:
                os.rename(self._part, self._folder)
            except OSError as error:
                if error.errno in (errno.EEXIST, errno.ENOTEMPTY, errno.ENOTDIR):
                    raise self._taken() from error  # another program was quicker
                raise


def _manifest(hashes: dict[str, str]) -> str:
    """Return the lines of a manifest; names of ours need no escapes."""
    return "".join(f"{sha256}  {name}\n" for name, sha256 in sorted(hashes.items()))


def check_bag(folder: Path) -> dict[str, str]:
    """Check that a bag is complete and unchanged, and return the hash of every payload file.

    Parameters
    ----------
    folder : path

    Returns
    -------
    dict
        Name relative to the bag ("data/...") to hash.

    Raises
    ------
    ArchiveError
        Not a bag with SHA-256 hashes, or files are missing, changed or too many; the text names them.
    """
    doing = f"cannot take in {folder}"
    if not folder.is_dir():
        raise ArchiveError(f"{doing}: there is no such folder; check its name")
    with sentences(f"reading the bag {folder}"):
        if not (folder / "bagit.txt").is_file() or not (folder / "manifest-sha256.txt").is_file():
            raise ArchiveError(
                f"{doing}: a bag has the files bagit.txt and manifest-sha256.txt, this folder has not; "
                "name the folder that hueph archive export wrote"
            )
        manifest = _read_manifest(folder / "manifest-sha256.txt", doing)
        tags = folder / "tagmanifest-sha256.txt"
        listed = manifest | (_read_manifest(tags, doing) if tags.is_file() else {})
        there = {file.relative_to(folder).as_posix() for file in _files(folder / "data")}
        problems = [f"{name} is not in the manifest" for name in sorted(there - manifest.keys())]
        for name, sha256 in sorted(listed.items()):
            path = folder / name
            if not path.is_file():
                problems.append(f"{name} is missing")
            elif _file_sha256(path) != sha256:
                problems.append(f"{name} was changed")
    if problems:
        more = f" and {len(problems) - 3} more" if len(problems) > 3 else ""
        raise ArchiveError(f"{doing}: the bag is damaged: {'; '.join(problems[:3])}{more}; ask for it again")
    return manifest


def _read_manifest(path: Path, doing: str) -> dict[str, str]:
    """Return name to hash of a manifest."""
    found: dict[str, str] = {}
    for number, line in enumerate(path.read_text(encoding="utf-8").splitlines(), start=1):
        sha256, _, name = line.partition(" ")
        name = name.strip().removeprefix("*")
        parts = Path(name).parts
        if len(sha256) != 64 or not name or ".." in parts or Path(name).is_absolute():
            raise ArchiveError(f"{doing}: line {number} of {path.name} is not a hash and a name")
        found[name] = sha256.lower()
    return found


def _files(folder: Path) -> Iterator[Path]:
    """Yield every file below a folder; links are no files of a bag."""
    with contextlib.suppress(FileNotFoundError):
        for entry in sorted(folder.iterdir()):
            if entry.is_dir() and not entry.is_symlink():
                yield from _files(entry)
            else:
                yield entry


def _file_sha256(path: Path) -> str:
    """Hash a file piece by piece."""
    with open(path, "rb") as stream:
        return stream_sha256(iter(lambda: stream.read(_BLOCK), b""))[0]
