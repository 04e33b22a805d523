"""Write a page as PDF, PNG or SVG."""

from __future__ import annotations

import io
from collections.abc import Callable
from pathlib import Path
from typing import Any
from xml.sax.saxutils import escape, quoteattr

from hueph._optional import require
from hueph._types import PathLike
from hueph.cards.page import Box, Colour, Label, Page, Stroke
from hueph.errors import ChartError

__all__ = ["FORMATS", "page_bytes"]

_DOTS_PER_INCH = 300
_MM_PER_INCH = 25.4
_POINTS_PER_MM = 72 / _MM_PER_INCH


def page_bytes(page: Page, path: PathLike) -> bytes:
    """Return the file content that the ending of `path` asks for.

    Raises
    ------
    ChartError
        Ending other than .pdf, .png or .svg.
    MissingDependency
        PDF without the package that writes it.
    """
    ending = Path(path).suffix.lower()
    if ending not in FORMATS:
        raise ChartError(
            f"a card is written as {', '.join(FORMATS)}, got {Path(path).name}; change the ending"
        )
    return FORMATS[ending](page)


def _svg(page: Page) -> bytes:
    out = [
        '<?xml version="1.0" encoding="UTF-8"?>',
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{page.width:g}mm" height="{page.height:g}mm" '
        f'viewBox="0 0 {page.width:g} {page.height:g}">',
        f"<title>{escape(page.title)}</title>",
        f'<rect width="{page.width:g}" height="{page.height:g}" fill="#ffffff"/>',
        '<g shape-rendering="crispEdges">',
    ]
    labels: list[str] = []
    for shape in page.shapes:
        if isinstance(shape, Box):
            out.append(
                f'<rect x="{shape.x:.4g}" y="{shape.y:.4g}" width="{shape.width:.4g}" height="{shape.height:.4g}" '
                f'fill="{_hex(shape.fill)}"/>'
            )
        elif isinstance(shape, Stroke):
            out.append(
                f'<line x1="{shape.x0:.4g}" y1="{shape.y0:.4g}" x2="{shape.x1:.4g}" y2="{shape.y1:.4g}" '
                f'stroke="{_hex(shape.colour)}" stroke-width="{shape.width:g}"/>'
            )
        else:
            weight = ' font-weight="bold"' if shape.bold else ""
            labels.append(
                f'<text x="{shape.x:.5g}" y="{shape.y:.5g}" font-size="{shape.size:g}" text-anchor={quoteattr(shape.anchor)}'
                f'{weight} fill="{_hex(shape.colour)}">{escape(shape.text)}</text>'
            )
    out += ["</g>", '<g font-family="Helvetica, Arial, sans-serif">', *labels, "</g>", "</svg>", ""]
    return "\n".join(out).encode("utf-8")


def _hex(colour: Colour) -> str:
    return "#" + "".join(f"{value:02x}" for value in colour)


def _png(page: Page) -> bytes:
    from PIL import Image, ImageDraw, ImageFont

    scale = _DOTS_PER_INCH / _MM_PER_INCH
    image = Image.new("RGB", (round(page.width * scale), round(page.height * scale)), (255, 255, 255))
    draw = ImageDraw.Draw(image)
    for shape in page.shapes:
        if isinstance(shape, Box):
            x0, y0 = round(shape.x * scale), round(shape.y * scale)
            x1, y1 = round((shape.x + shape.width) * scale), round((shape.y + shape.height) * scale)
            draw.rectangle((x0, y0, x1 - 1, y1 - 1), fill=shape.fill)
        elif isinstance(shape, Stroke):
            points = [value * scale for value in (shape.x0, shape.y0, shape.x1, shape.y1)]
            draw.line(points, fill=shape.colour, width=max(1, round(shape.width * scale)))
        else:
            face = ImageFont.load_default(shape.size * scale * 0.95)
            anchor = {"start": "ls", "middle": "ms", "end": "rs"}[shape.anchor]
            heavy = round(shape.size * scale / 28) if shape.bold else 0
            draw.text(
                (shape.x * scale, shape.y * scale), shape.text, fill=shape.colour, font=face, anchor=anchor,
                stroke_width=heavy, stroke_fill=shape.colour,
            )  # fmt: skip
    memory = io.BytesIO()
    image.save(memory, "PNG", dpi=(_DOTS_PER_INCH, _DOTS_PER_INCH), optimize=True)
    return memory.getvalue()


def _pdf(page: Page) -> bytes:
    canvas_module = require("reportlab.pdfgen.canvas", purpose="writing a card as PDF", extra="cards")
    memory = io.BytesIO()
    size = (page.width * _POINTS_PER_MM, page.height * _POINTS_PER_MM)
    # Without a time of its own the same card gives the same bytes.
    sheet: Any = canvas_module.Canvas(memory, pagesize=size, invariant=1, pageCompression=1)
    sheet.setTitle(page.title)
    sheet.setCreator("hueph")
    sheet.transform(_POINTS_PER_MM, 0, 0, _POINTS_PER_MM, 0, 0)
    for shape in page.shapes:
        if isinstance(shape, Box):
            sheet.setFillColorRGB(*(value / 255 for value in shape.fill))
            sheet.rect(
                shape.x, page.height - shape.y - shape.height, shape.width, shape.height, stroke=0, fill=1
            )
        elif isinstance(shape, Stroke):
            sheet.setStrokeColorRGB(*(value / 255 for value in shape.colour))
            sheet.setLineWidth(shape.width)
            sheet.line(shape.x0, page.height - shape.y0, shape.x1, page.height - shape.y1)
        else:
            _pdf_label(sheet, page, shape)
    sheet.showPage()
    sheet.save()
    return memory.getvalue()


def _pdf_label(sheet: Any, page: Page, label: Label) -> None:
    sheet.setFillColorRGB(*(value / 255 for value in label.colour))
    sheet.setFont("Helvetica-Bold" if label.bold else "Helvetica", label.size)
    draw = {"start": sheet.drawString, "middle": sheet.drawCentredString, "end": sheet.drawRightString}[
        label.anchor
    ]
    # The fonts that every PDF reader has hold Latin letters only.
    text = label.text.encode("cp1252", "replace").decode("cp1252")
    draw(label.x, page.height - label.y, text)


FORMATS: dict[str, Callable[[Page], bytes]] = {".pdf": _pdf, ".png": _png, ".svg": _svg}
