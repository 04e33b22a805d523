"""The report of an experiment as PDF (needs ReportLab); grey lines and text only, pictures as they are."""

from __future__ import annotations

import functools
import io
import os
from typing import Any
from xml.sax.saxutils import escape

import reportlab
from reportlab.graphics.shapes import Drawing, String
from reportlab.graphics.shapes import Line as DrawnLine
from reportlab.graphics.shapes import Polygon as DrawnPolygon
from reportlab.lib import colors, pagesizes
from reportlab.lib.styles import ParagraphStyle
from reportlab.lib.units import mm
from reportlab.pdfbase import pdfmetrics
from reportlab.pdfbase.ttfonts import TTFont
from reportlab.platypus import (
    CondPageBreak,
    Flowable,
    Image,
    KeepTogether,
    Paragraph,
    SimpleDocTemplate,
    Spacer,
    Table,
    TableStyle,
)

from hueph.archive.report_axis import Line, Polygon, axis_shapes
from hueph.archive.report_view import METHOD, NoteView, ReadingView, ReportView, TubeView
from hueph.interval import format_coverage
from hueph.report import NOTICE

__all__ = ["draw_pdf"]

# The fonts that come with ReportLab; letters they lack are printed as a question mark.
_PLAIN, _BOLD = "Vera", "VeraBd"
_MARGIN = 16 * mm
_AXIS_WIDTH, _AXIS_HEIGHT = 62 * mm, 15 * mm
_RULE = (0.4, colors.Color(0.7, 0.7, 0.7))
_PAPERS = {"a4": pagesizes.A4, "letter": pagesizes.LETTER}


@functools.cache
def _fonts() -> dict[str, Any]:
    """Register the fonts and return the styles that use them."""
    folder = os.path.join(os.path.dirname(reportlab.__file__), "fonts")
    for name in (_PLAIN, _BOLD):
        pdfmetrics.registerFont(TTFont(name, os.path.join(folder, f"{name}.ttf")))
    pdfmetrics.registerFontFamily(_PLAIN, normal=_PLAIN, bold=_BOLD, italic=_PLAIN, boldItalic=_BOLD)
    body = ParagraphStyle("body", fontName=_PLAIN, fontSize=8.5, leading=11.5, spaceAfter=2)
    return {
        "body": body,
        "small": ParagraphStyle("small", body, fontSize=7, leading=9, textColor=colors.Color(0.3, 0.3, 0.3)),
        "title": ParagraphStyle("title", body, fontName=_BOLD, fontSize=17, leading=21),
        "h2": ParagraphStyle(
            "h2", body, fontName=_BOLD, fontSize=12, leading=15, spaceBefore=10, spaceAfter=4
        ),
        "h3": ParagraphStyle("h3", body, fontName=_BOLD, fontSize=9.5, leading=12, spaceBefore=6),
    }


def _text(words: str, style: str = "body", *, bold: bool = False) -> Paragraph:
    """Return a paragraph; letters the font lacks become question marks."""
    styles = _fonts()
    known = pdfmetrics.getFont(_PLAIN).face.charToGlyph
    shown = escape("".join(letter if ord(letter) in known or letter == "\n" else "?" for letter in words))
    return Paragraph(f"<b>{shown}</b>" if bold else shown, styles[style])


def draw_pdf(view: ReportView, *, paper: str) -> bytes:
    """Return a report as PDF.

    Parameters
    ----------
    view : ReportView
    paper : str
        "a4" or "letter".

    Returns
    -------
    bytes
    """
    size = _PAPERS[paper]
    stream = io.BytesIO()
    document = SimpleDocTemplate(
        stream,
        pagesize=size,
        leftMargin=_MARGIN,
        rightMargin=_MARGIN,
        topMargin=_MARGIN,
        bottomMargin=_MARGIN + 4 * mm,
        title=f"{view.experiment}: pH readings",
        author=", ".join(view.people),
        creator=f"hueph {view.version}",
        invariant=1,
    )
    width = size[0] - 2 * _MARGIN - 12
    document.build(_story(view, width), onFirstPage=_foot(view), onLaterPages=_foot(view))
    return stream.getvalue()


def _heading(words: str, room: float = 45 * mm) -> list[Flowable]:
    """Return a heading that does not stand alone at the foot of a page."""
    return [CondPageBreak(room), _text(words, "h2")]


def _foot(view: ReportView) -> Any:
    """Return what draws the foot of a page."""

    def draw(canvas: Any, document: Any) -> None:
        canvas.saveState()
        canvas.setFont(_PLAIN, 6.5)
        canvas.setFillGray(0.3)
        canvas.drawString(_MARGIN, 9 * mm, f"{NOTICE}  Last link {view.chain_head[:16]}")
        canvas.drawRightString(document.pagesize[0] - _MARGIN, 9 * mm, f"page {document.page}")
        canvas.restoreState()

    return draw


def _story(view: ReportView, width: float) -> list[Flowable]:
    """Return the report from top to bottom."""
    when = " to ".join(dict.fromkeys(text.replace("T", " ")[:16] for text in (view.first, view.last) if text))
    facts = ["pH read from photographs of indicator tubes beside a printed strip."]
    facts += [f"By {', '.join(view.people)}."] if view.people else []
    facts += [f"{when}."] if when else []
    story: list[Flowable] = [_text(view.experiment, "title"), _text(" ".join(facts), "small"), Spacer(1, 4)]
    cautions = [_text("Cautions", bold=True), *(_text(f"- {text}") for text in view.cautions)]
    box = Table([[cautions]], colWidths=[width])
    box.setStyle(
        TableStyle(
            [("BOX", (0, 0), (-1, -1), 1.2, colors.black), ("LINEBEFORE", (0, 0), (0, -1), 5, colors.black)]
        )
    )
    story += [box, *_glance(view, width), *_comparisons(view, width), *_expectations(view, width)]
    for reading in view.readings:
        story += _photograph(reading, width)
    return [*story, *_calibrations(view, width), *_evidence(view, width)]


def _grid(
    head: list[str],
    rows: list[list[Any]],
    shares: list[float],
    width: float,
    *,
    is_ruled: bool = True,
    is_low: bool = False,
) -> Table:
    """Return a table whose head repeats on every page, with a line below every row; `is_low` saves height."""
    total = sum(shares)
    cells: list[list[Any]] = [[_text(word, bold=True) for word in head]]
    cells += [[_text(cell) if isinstance(cell, str) else cell for cell in row] for row in rows]
    table = Table(cells, colWidths=[width * share / total for share in shares], repeatRows=1)
    table.setStyle(
        TableStyle(
            [
                ("VALIGN", (0, 0), (-1, -1), "TOP"),
                ("LINEBELOW", (0, 0), (-1, 0), 1, colors.black),
                *([("LINEBELOW", (0, 1), (-1, -1), *_RULE)] if is_ruled else []),
                ("LEFTPADDING", (0, 0), (-1, -1), 3),
                ("RIGHTPADDING", (0, 0), (-1, -1), 3),
                *(
                    [(f"{side}PADDING", (0, 1), (-1, -1), 0.5) for side in ("TOP", "BOTTOM")]
                    if is_low
                    else []
                ),
            ]
        )
    )
    return table


def _glance(view: ReportView, width: float) -> list[Flowable]:
    """Return the table of all readings."""
    rows: list[list[Any]] = [
        [
            tube.name or reading.sample or "-",
            reading.step or "-",
            reading.file,
            str(tube.number),
            _text(tube.value, bold=True),
            tube.spread or ", ".join(name for name, _ in tube.flags),
            tube.verdict or "-",
        ]
        for reading in view.readings
        if reading.replaced_by is None
        for tube in reading.tubes
    ]
    if not rows:
        return []
    head = ["Sample", "Step", "Photograph", "Tube", "Reading", "Range", "Expected"]
    return [*_heading("Readings at a glance"), _grid(head, rows, [3, 2.2, 4, 1.5, 4, 4.2, 4.4], width)]


def _comparisons(view: ReportView, width: float) -> list[Flowable]:
    """Return the comparisons: a pair has a row of cells, and below it a row for the reason."""
    story: list[Flowable] = _heading("Comparisons", 70 * mm) if view.comparisons else []
    head = ["Tube", "Before", "Added", "After", "Change in pH", "Expected", "Verdict"]
    for comparison in view.comparisons:
        facts = [f"record {comparison.number}"]
        facts += [f"from records {', '.join(map(str, comparison.uses))}"] if comparison.uses else []
        facts += [f"with {', '.join(comparison.files)}"] if comparison.files else []
        story += [
            CondPageBreak(45 * mm),
            _text(comparison.title or "Before and after", "h3"),
            _text(", ".join(facts), "small"),
        ]
        rows: list[list[Any]] = []
        for pair in comparison.pairs:
            verdict, label = _text(pair.verdict, bold=True), _text(pair.label, bold=True)
            seen = [pair.before, pair.added or "-", pair.after, pair.change or "-", pair.expected or "-"]
            rows.append([label, *seen, verdict])
            below = [_text(pair.reason)] + ([_text("; ".join(pair.details), "small")] if pair.details else [])
            rows.append([below, *[""] * 6])
        table = _grid(head, rows, [4, 3.8, 3, 3.8, 3.6, 2.6, 2.8], width, is_ruled=False)
        for row in range(1, len(rows), 2):
            table.setStyle(
                TableStyle(
                    [
                        ("SPAN", (0, row + 1), (-1, row + 1)),
                        ("NOSPLIT", (0, row), (-1, row + 1)),
                        ("LINEBELOW", (0, row + 1), (-1, row + 1), *_RULE),
                    ]
                )
            )
        story += [table, *_notes(comparison.notes), Spacer(1, 4)]
        story += [_picture(figure, width, 225 * mm) for figure in comparison.figures]
    return story


def _expectations(view: ReportView, width: float) -> list[Flowable]:
    """Return the expected values."""
    story: list[Flowable] = _heading("Expected values") if view.expectations else []
    for expectation in view.expectations:
        rows: list[list[Any]] = [
            [step, _text(ph, bold=True), spread, text] for step, ph, spread, text in expectation.rows
        ]
        story += [
            _text(expectation.title or expectation.recipe, "h3"),
            _text(
                f"Worked out from {expectation.recipe} by charge and mass balance "
                f"(record {expectation.number}).",
                "small",
            ),
            _grid(["Step", "pH", "Range", "What was done"], rows, [2.5, 1.5, 3, 8], width),
        ]
    return story


def _calibrations(view: ReportView, width: float) -> list[Flowable]:
    """Return the charts: how they were made, and what became of them."""
    story: list[Flowable] = _heading("Charts", 60 * mm) if view.calibrations else []
    for calibration in view.calibrations:
        parts: list[Flowable] = [
            _text(calibration.title, "h3"),
            _text(" ".join((f"Record {calibration.number}.", *calibration.facts)), "small"),
            *(_text(text) for text in calibration.sentences),
        ]
        if calibration.rows:
            rows: list[list[Any]] = [[_text(cell, "small") for cell in row] for row in calibration.rows]
            shares = [1.0] * (len(rows[0]) - 1) + [1.8]
            table = _grid(list(calibration.head), rows, shares, 0.8 * width, is_low=True)
            table.hAlign = "LEFT"
            parts.append(table)
        story += [KeepTogether(parts), Spacer(1, 3), *_notes(calibration.notes)]
    return story


def _notes(notes: tuple[NoteView, ...]) -> list[Flowable]:
    return [
        _text(f"{note.text} ({note.who or 'no name'}, {note.received[:10]}, record {note.number})")
        for note in notes
    ]


def _photograph(reading: ReadingView, width: float) -> list[Flowable]:
    """Return one photograph with its tubes."""
    story = _heading(f"Photograph {reading.file} (record {reading.number})")
    if reading.replaced_by is not None:
        story.append(_text(f"Replaced by record {reading.replaced_by}. Kept as it was.", bold=True))
    labelled = (("Sample", reading.sample), ("Step", reading.step), ("By", reading.who))
    facts = [f"{name} {words}." for name, words in labelled if words]
    facts += [f"Taken {reading.taken.replace('T', ' ')} by the camera's clock."] if reading.taken else []
    facts += [f"Received {reading.received.replace('T', ' ')}.", reading.message]
    story.append(_text(" ".join(fact for fact in facts if fact), "small"))
    story += [_text(f"{name}: {sentence}", "small") for name, sentence in reading.flags]
    story += _notes(reading.notes)
    rows: list[list[Any]] = [
        [
            # In small letters below the number: a sample's name seldom fits beside it.
            [_text(str(tube.number)), *([_text(tube.name, "small")] if tube.name else [])],
            _picture(tube.picture, 14 * mm, 20 * mm) if tube.picture else "",
            _tube_words(tube),
            _axis(tube, reading),
        ]
        for tube in reading.tubes
    ]
    story.append(_grid(["Tube", "Picture", "Reading", "How sure: pH axis"], rows, [23, 17, 71, 66], width))
    story += [_text(f"Tube {number}: {expected}.") for number, expected in reading.not_found]
    if reading.strip:
        card = ", ".join(f"{ph:g}" for ph in reading.card_ph)
        caption = _text(f"The card in the picture: {reading.chart}, pH {card}.", "small")
        story.append(KeepTogether([Spacer(1, 4), caption, _picture(reading.strip, 0.75 * width, 22 * mm)]))
    if reading.overlay:
        story += [Spacer(1, 4), _picture(reading.overlay, width, 105 * mm)]
    return story


def _tube_words(tube: TubeView) -> list[Flowable]:
    """Return the reading of a tube in words."""
    words: list[Flowable] = [_text(tube.value, bold=True)]
    words += [_text(text) for text in (tube.spread, tube.agreement) if text]
    words += [_text(f"perhaps {cause}", "small") for cause in tube.causes]
    return words + [_text(f"{name}: {sentence}", "small") for name, sentence in tube.flags]


def _picture(data: bytes, most_wide: float, most_high: float) -> Image:
    """Return a picture reduced to fit."""
    picture = Image(io.BytesIO(data))
    factor = min(most_wide / picture.imageWidth, most_high / picture.imageHeight)
    picture.drawWidth, picture.drawHeight = picture.imageWidth * factor, picture.imageHeight * factor
    picture.hAlign = "LEFT"
    return picture


def _axis(tube: TubeView, reading: ReadingView) -> Drawing:
    """Return a tube's axis; positions are turned upside down, as PDF counts from the bottom."""
    drawing = Drawing(_AXIS_WIDTH, _AXIS_HEIGHT)
    for shape in axis_shapes(tube, reading, _AXIS_WIDTH, _AXIS_HEIGHT):
        if isinstance(shape, Line):
            drawing.add(
                DrawnLine(
                    shape.x1, _AXIS_HEIGHT - shape.y1, shape.x2, _AXIS_HEIGHT - shape.y2,
                    strokeWidth=shape.thick, strokeColor=_grey(shape.grey),
                )
            )  # fmt: skip
        elif isinstance(shape, Polygon):
            flat = [value for x, y in shape.points for value in (x, _AXIS_HEIGHT - y)]
            drawing.add(
                DrawnPolygon(
                    flat, fillColor=_grey(shape.fill), strokeColor=_grey(shape.outline), strokeWidth=0.6
                )
            )
        else:
            drawing.add(
                String(
                    shape.x,
                    _AXIS_HEIGHT - shape.y,
                    shape.text,
                    fontName=_PLAIN,
                    fontSize=6,
                    textAnchor="middle",
                )
            )
    return drawing


def _grey(level: float) -> colors.Color:
    return colors.Color(level, level, level)


def _evidence(view: ReportView, width: float) -> list[Flowable]:
    """Return how it was measured, and what to check it by."""
    story: list[Flowable] = [
        *_heading("How it was measured, and how sure it is"),
        *(_text(words) for words in METHOD),
    ]
    for reading in view.readings:
        residual = "-" if reading.residual is None else f"{reading.residual:.1f}"
        story.append(
            _text(
                f"Record {reading.number}: chart {reading.chart} {reading.chart_sha256[:16]}; residual "
                f"{residual} CIEDE2000; ranges of {format_coverage(reading.coverage)}; hueph {reading.version}; "
                f"original SHA-256 {reading.original_sha256}",
                "small",
            )
        )
    rows: list[list[Any]] = [
        [
            str(record.number),
            record.kind,
            record.received.replace("T", " ")[:16],
            record.summary,
            record.hash[:16],
        ]
        for record in view.records
    ]
    return [
        *story,
        *_heading("Evidence"),
        _text(
            f"Records are chained by SHA-256 and never changed; corrections are new records. The archive had "
            f"{view.chain_length} records when this report was written. Its last link: {view.chain_head}. "
            f"To check later: hueph archive verify --archive ARCHIVE --link {view.chain_head[:16]}"
        ),
        _grid(["Record", "Kind", "Received", "Summary", "Link"], rows, [1.6, 2.2, 3, 8, 3.4], width),
    ]
