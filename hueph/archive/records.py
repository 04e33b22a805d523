"""What a record holds, as it is made (`Draft`), as it stands (`Record`) and as it is listed (`Entry`)."""

from __future__ import annotations

import json
from dataclasses import asdict, dataclass, field
from typing import Any, NamedTuple

from hueph.archive.chain import canonical_json, text_sha256
from hueph.errors import ArchiveError, InputError

__all__ = [
    "EMBEDDED_ROLES",
    "KINDS",
    "Content",
    "Draft",
    "Entry",
    "Labels",
    "Link",
    "Record",
    "columns_of",
    "fingerprint_of",
    "parse_record",
]

KINDS = ("reading", "comparison", "calibration", "expectation", "note", "correction")
# Contents that are stored together with their record.
EMBEDDED_ROLES = ("overlay", "strip", "tube")
# A record whose body an export left out; its place in the chain stays.
WITHHELD = "withheld"
FORMAT, FORMAT_VERSION = "hueph-record", 1
MOST_LABEL_LETTERS = 200
SUMMARY_LETTERS = 160


@dataclass(frozen=True, slots=True)
class Labels:
    """Who did what: free text, "" when not said.

    Attributes
    ----------
    who, experiment, step : str
    sample : str
        Of the photograph, or the names of its tubes from left to right, separated by commas.
    """

    who: str = ""
    experiment: str = ""
    sample: str = ""
    step: str = ""

    def __post_init__(self) -> None:
        for name, value in asdict(self).items():
            if len(value) > MOST_LABEL_LETTERS or not all(letter.isprintable() for letter in value):
                raise InputError(
                    f"the label {name} must be one line of at most {MOST_LABEL_LETTERS} printable letters, "
                    f"got {value[:60]!r} ({len(value)} letters)"
                )

    def tube_names(self, count: int) -> list[str]:
        """Return a name for each of `count` tubes, "" for all unless `sample` names exactly so many."""
        names = [name.strip() for name in self.sample.split(",")]
        return names if len(names) == count and count > 1 else [""] * count


@dataclass(frozen=True, slots=True)
class Content:
    """A file that belongs to a record, known by its hash.

    Attributes
    ----------
    role : str
        "original", "chart", "overlay", "tube", "strip" or "recipe".
    sha256 : str
        Of its bytes, hexadecimal.
    size : int
        Bytes.
    name : str
        File name without any folder.
    media_type : str
    tube : int or None
        Number of the tube that a picture shows.
    private_free : str
        Hash of the copy without position, serial numbers and other private fields that an export
        holds instead, "" when the file has none.
    removed : tuple of str
        What that copy leaves out.
    """

    role: str
    sha256: str
    size: int
    name: str
    media_type: str
    tube: int | None = None
    private_free: str = ""
    removed: tuple[str, ...] = ()

    def to_dict(self) -> dict[str, Any]:
        """Return the JSON-ready form that stands in a record."""
        return asdict(self) | {"removed": list(self.removed)}


@dataclass(frozen=True, slots=True)
class Link:
    """A pointer to an earlier record.

    Attributes
    ----------
    number : int
    relation : str
        "notes", "corrects" or "uses".
    hash : str
        Link hash of that record; filled in when the record is added.
    """

    number: int
    relation: str
    hash: str = ""


@dataclass(frozen=True, slots=True)
class Draft:
    """A record that is about to be added.

    Attributes
    ----------
    kind : str
        One of `KINDS`.
    payload : dict
        JSON-ready; what was measured or said.
    labels : Labels
    contents : tuple of Content
        Already stored, or among `embedded`.
    links : tuple of Link
    taken : str
        Time of the photograph from EXIF, "" when unknown.
    program : dict
        What computed the payload: version, hashes of code and weights, libraries.
    summary : str
        One line for listings.
    embedded : tuple of bytes
        Pictures among the contents that are stored together with the record.
    is_repeatable : bool
        False: adding the same again adds nothing. True (notes): it is added again.
    """

    kind: str
    payload: dict[str, Any]
    labels: Labels = field(default_factory=Labels)
    contents: tuple[Content, ...] = ()
    links: tuple[Link, ...] = ()
    taken: str = ""
    program: dict[str, Any] = field(default_factory=dict)
    summary: str = ""
    embedded: tuple[bytes, ...] = ()
    is_repeatable: bool = False

    def __post_init__(self) -> None:
        if self.kind not in KINDS:
            raise InputError(f"the kind of a record must be one of {', '.join(KINDS)}, got {self.kind!r}")

    def content(self) -> dict[str, Any]:
        """Return the body but for what adding it decides (number, time received, hashes linked to)."""
        return {
            "format": FORMAT,
            "version": FORMAT_VERSION,
            "kind": self.kind,
            "taken": self.taken,
            "labels": asdict(self.labels),
            "links": [{"number": link.number, "relation": link.relation} for link in self.links],
            "program": self.program,
            "contents": [content.to_dict() for content in self.contents],
            "summary": self.summary[:SUMMARY_LETTERS],
            "payload": self.payload,
        }

    def fingerprint(self) -> str:
        """Return the hash by which the same record is known when it is added again."""
        return text_sha256(canonical_json(self.content()))

    def body(self, number: int, received: str, links: tuple[Link, ...]) -> str:
        """Return the JSON text of the record, with the linked records' hashes."""
        linked = [{"number": link.number, "relation": link.relation, "hash": link.hash} for link in links]
        return canonical_json(self.content() | {"number": number, "received": received, "links": linked})


@dataclass(frozen=True, slots=True)
class Record:
    """A record as it stands in an archive.

    Attributes
    ----------
    number : int
        From 1, without gaps.
    hash, previous, body_sha256 : str
        Its link, the link before, the hash of its body (`hueph.archive.chain`).
    body : str
        The JSON text that was hashed, "" when an export left it out.
    kind, received, taken, labels, links, program, contents, payload, summary
        As in `Draft`; `received` is UTC, "YYYY-MM-DDTHH:MM:SSZ". `kind` is "withheld" without a body.
    """

    number: int
    hash: str
    previous: str
    body_sha256: str
    body: str
    kind: str = WITHHELD
    received: str = ""
    taken: str = ""
    labels: Labels = field(default_factory=Labels)
    links: tuple[Link, ...] = ()
    program: dict[str, Any] = field(default_factory=dict)
    contents: tuple[Content, ...] = ()
    payload: dict[str, Any] = field(default_factory=dict)
    summary: str = ""

    def of_role(self, role: str) -> tuple[Content, ...]:
        """Return the contents of one role."""
        return tuple(content for content in self.contents if content.role == role)

    def to_dict(self) -> dict[str, Any]:
        """Return the JSON-ready form."""
        known: dict[str, Any] = json.loads(self.body) if self.body else {"kind": WITHHELD}
        chain = {"hash": self.hash, "previous": self.previous, "body_sha256": self.body_sha256}
        return known | {"number": self.number} | chain


class Entry(NamedTuple):
    """A line of a listing; the names are those of the columns."""

    number: int
    kind: str
    received: str
    taken: str
    who: str
    experiment: str
    sample: str
    step: str
    chart: str
    summary: str
    hash: str


def parse_record(number: int, link: str, previous: str, body_sha256: str, body: str | None) -> Record:
    """Return the record of a row.

    Raises
    ------
    ArchiveError
        The body is not the JSON of a record.
    """
    if body is None:
        return Record(number, link, previous, body_sha256, "")
    try:
        data = json.loads(body)
        return Record(
            number=number,
            hash=link,
            previous=previous,
            body_sha256=body_sha256,
            body=body,
            kind=data["kind"],
            received=data["received"],
            taken=data["taken"],
            labels=Labels(**data["labels"]),
            links=tuple(Link(**entry) for entry in data["links"]),
            program=data["program"],
            contents=tuple(
                Content(**(entry | {"removed": tuple(entry["removed"])})) for entry in data["contents"]
            ),
            payload=data["payload"],
            summary=data["summary"],
        )
    except (ValueError, KeyError, TypeError, InputError) as error:
        raise ArchiveError(
            f"record {number} cannot be read: its text is not that of a record; run hueph archive verify"
        ) from error


def columns_of(record: Record) -> dict[str, Any]:
    """Return the columns that repeat parts of a record's body for listing and filtering.

    Parameters
    ----------
    record : Record

    Returns
    -------
    dict
        Of str, by column name; verify compares them with the body.
    """
    originals = record.of_role("original")
    charts = record.payload.get("chart")
    return {
        "kind": record.kind,
        "received": record.received,
        "taken": record.taken,
        "who": record.labels.who,
        "experiment": record.labels.experiment,
        "sample": record.labels.sample,
        "step": record.labels.step,
        "original": originals[0].sha256 if originals else "",
        "chart": str(charts.get("name", "")) if isinstance(charts, dict) else "",
        "summary": record.summary,
    }


def fingerprint_of(record: Record) -> str:
    """Return the fingerprint that the draft of a record had, "" without a body."""
    if not record.body:
        return ""
    data = json.loads(record.body)
    del data["number"], data["received"]
    for link in data["links"]:
        del link["hash"]
    return text_sha256(canonical_json(data))
