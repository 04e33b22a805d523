"""What a report shows of an experiment: plain values and sentences, ready for a page or a PDF."""

from __future__ import annotations

from dataclasses import dataclass

from hueph.archive.calibrated import CalibrationView
from hueph.archive.compared import PairView
from hueph.report import NOTICE

__all__ = [
    "CAUTIONS",
    "METHOD",
    "ComparisonView",
    "ExpectationView",
    "NoteView",
    "ReadingView",
    "RecordView",
    "ReportView",
    "TubeView",
]

CAUTIONS = (
    "Wear eye protection. Acids, alkalis and many buffer concentrates are corrosive; add acid to water, "
    "never water to acid.",
    "Indicator solutions are often made with alcohol: keep them from flames and hot plates.",
    "Local rules, safety data sheets and qualified staff come before anything written here.",
    NOTICE,
)

METHOD = (
    "Each liquid is compared with the printed patches in the same photograph, so that light and camera "
    "drop out. Uneven light, white balance and the amount of dye are taken out; where the colour cannot "
    "tell pH apart, the range is wide.",
    "In each axis the hill shows how probable each pH is, the bar the stated range, the tick across it the "
    "middle value, an arrow an open end beyond the card, the diamond the expected pH. Small marks on the "
    "axis are the patches of the card.",
    "A range of 95 % is meant to hold the true pH 95 times in 100 over many photographs. Tubes of one "
    "photograph share one strip and one light, so their errors go together.",
)


@dataclass(frozen=True, slots=True)
class NoteView:
    """A note on a record, or a correction of it."""

    number: int
    received: str
    who: str
    text: str


@dataclass(frozen=True, slots=True)
class TubeView:
    """One tube: what was read, how sure, what was expected.

    Attributes
    ----------
    number : int
    name : str
    ph, low, high : float or None
    value, spread : str
        The reading and its range in words.
    flags : tuple of (str, str)
        Name and sentence.
    posterior : tuple of (float, float)
        pH and density.
    expected, expected_low, expected_high : float or None
    agreement : str
        Reading against expectation in words, "" without one.
    verdict : str
        The same in a few words.
    causes : tuple of str
        What may lie behind a difference.
    picture : bytes
        JPEG, empty when there is none.
    """

    number: int
    name: str
    ph: float | None
    low: float | None
    high: float | None
    value: str
    spread: str
    flags: tuple[tuple[str, str], ...]
    posterior: tuple[tuple[float, float], ...]
    expected: float | None
    expected_low: float | None
    expected_high: float | None
    agreement: str
    verdict: str
    causes: tuple[str, ...]
    picture: bytes


@dataclass(frozen=True, slots=True)
class ReadingView:
    """One photograph."""

    number: int
    file: str
    taken: str
    received: str
    who: str
    sample: str
    step: str
    chart: str
    chart_sha256: str
    card_ph: tuple[float, ...]
    residual: float | None
    coverage: float
    flags: tuple[tuple[str, str], ...]
    tubes: tuple[TubeView, ...]
    overlay: bytes
    strip: bytes
    notes: tuple[NoteView, ...]
    not_found: tuple[tuple[int, str], ...]
    replaced_by: int | None
    original_sha256: str
    version: str
    message: str


@dataclass(frozen=True, slots=True)
class ComparisonView:
    """Compared tubes; `figures` is the picture, cut where it would not fit a page."""

    number: int
    title: str
    pairs: tuple[PairView, ...]
    uses: tuple[int, ...]
    files: tuple[str, ...]
    notes: tuple[NoteView, ...]
    figures: tuple[bytes, ...]
    cautions: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class ExpectationView:
    """Expected pH of a recipe: rows of step, pH, range, what was done."""

    number: int
    recipe: str
    title: str
    rows: tuple[tuple[str, str, str, str], ...]
    cautions: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class RecordView:
    """A line of the list of evidence."""

    number: int
    kind: str
    received: str
    summary: str
    hash: str


@dataclass(frozen=True, slots=True)
class ReportView:
    """Everything a report shows."""

    experiment: str
    people: tuple[str, ...]
    first: str
    last: str
    readings: tuple[ReadingView, ...]
    comparisons: tuple[ComparisonView, ...]
    expectations: tuple[ExpectationView, ...]
    calibrations: tuple[CalibrationView, ...]
    records: tuple[RecordView, ...]
    cautions: tuple[str, ...]
    chain_length: int
    chain_head: str
    version: str
