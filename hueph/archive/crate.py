"""RO-Crate 1.1 metadata of an export: which file is what, and which record came from what."""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Any

from hueph import __version__
from hueph.archive.records import Labels, Record

__all__ = ["CRATE_NAME", "Crate"]

CRATE_NAME = "ro-crate-metadata.json"
_CONTEXT = "https://w3id.org/ro/crate/1.1/context"
_PROFILE = "https://w3id.org/ro/crate/1.1"
_LICENCE = "#licence"
_SOURCES = ("original", "chart", "recipe")
_DESCRIPTIONS = {
    "original": "photograph as received",
    "chart": "reference chart, as measured and used",
    "overlay": "annotated picture",
    "tube": "picture of a tube",
    "strip": "picture of the strip",
    "recipe": "recipe",
}


@dataclass(slots=True)
class Crate:
    """Gathers what is in an export and writes its metadata.

    Attributes
    ----------
    name, description : str
    date : str
        Of the export, "YYYY-MM-DD".
    """

    name: str
    description: str
    date: str
    _files: dict[str, dict[str, Any]] = field(default_factory=dict)
    _actions: list[dict[str, Any]] = field(default_factory=list)
    _people: dict[str, dict[str, Any]] = field(default_factory=dict)
    _programs: dict[str, dict[str, Any]] = field(default_factory=dict)

    def add_file(
        self, path: str, media_type: str, size: int, sha256: str, *, name: str = "", role: str = ""
    ) -> None:
        """Describe a file of the payload."""
        self._files[path] = {
            "@id": path,
            "@type": "File",
            "name": name or path,
            "description": _DESCRIPTIONS.get(role, name or path),
            "encodingFormat": media_type,
            "contentSize": str(size),
            "sha256": sha256,
        }

    def add_record(self, record: Record, labels: Labels, paths: dict[str, str]) -> None:
        """Describe a record as an action; `paths` leads from the hash of a content to its file."""
        there = [item for item in record.contents if item.sha256 in paths]
        sources = [paths[item.sha256] for item in there if item.role in _SOURCES]
        results = [paths[item.sha256] for item in there if item.role not in _SOURCES]
        version = str(record.program.get("version") or "unknown")
        program = f"#hueph-{version}"
        self._programs.setdefault(
            program,
            {"@id": program, "@type": "SoftwareApplication", "name": "hueph", "softwareVersion": version,
             "url": program},
        )  # fmt: skip
        action: dict[str, Any] = {
            "@id": f"#record-{record.number}",
            "@type": "CreateAction",
            "name": f"record {record.number}: {record.kind}",
            "description": record.summary,
            "endTime": record.received,
            "identifier": record.hash,
            "instrument": {"@id": program},
            "object": [{"@id": source} for source in dict.fromkeys(sources)]
            + [{"@id": f"#record-{link.number}"} for link in record.links],
            "result": [{"@id": result} for result in dict.fromkeys([*results, "records.jsonl"])],
        }
        if labels.who:
            person = f"#person-{len(self._people) + 1}"
            known = self._people.setdefault(
                labels.who, {"@id": person, "@type": "Person", "name": labels.who}
            )
            action["agent"] = {"@id": known["@id"]}
        self._actions.append(action)

    def blocks(self) -> Iterator[bytes]:
        """Yield the metadata file piece by piece."""
        yield f'{{"@context": "{_CONTEXT}", "@graph": [\n'.encode()
        yield json.dumps(
            {
                "@id": CRATE_NAME,
                "@type": "CreativeWork",
                "about": {"@id": "./"},
                "conformsTo": {"@id": _PROFILE},
            }
        ).encode()
        for entity in self._entities():
            yield b",\n" + json.dumps(entity).encode()
        yield b"\n]}\n"

    def _entities(self) -> Iterator[dict[str, Any]]:
        """Yield everything but the descriptor."""
        yield {
            "@id": "./",
            "@type": "Dataset",
            "name": self.name,
            "description": self.description,
            "datePublished": self.date,
            "license": {"@id": _LICENCE},
            "creator": {"@id": "#hueph"},
            "hasPart": [{"@id": path} for path in self._files],
            "mentions": [{"@id": action["@id"]} for action in self._actions],
        }
        yield {
            "@id": _LICENCE,
            "@type": "CreativeWork",
            "name": "no licence stated",
            "description": "No licence is stated; ask those who took the photographs.",
        }
        yield {
            "@id": "#hueph",
            "@type": "SoftwareApplication",
            "name": "hueph",
            "softwareVersion": __version__,
        }
        yield from self._files.values()
        yield from self._actions
        yield from self._people.values()
        yield from self._programs.values()
