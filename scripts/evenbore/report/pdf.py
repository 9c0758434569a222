"""Pages (A4) as PDF with text in any script.

Conventions: lengths in mm, sizes of text in points. Text: DejaVu Sans, what else is installed where that lacks a
character, right-to-left text in its order (HarfBuzz). A character that no font has is an empty box.
"""

import logging
import unicodedata
from bisect import bisect_left
from collections.abc import Sequence
from copy import copy
from datetime import UTC, datetime
from functools import cache
from io import BytesIO
from pathlib import Path
from typing import Any, Literal, cast

from fontTools import subset  # type: ignore[import-untyped]  # the library has no types
from fontTools.ttLib import TTFont  # type: ignore[import-untyped]
from fpdf import FPDF
from fpdf.enums import XPos, YPos
from fpdf.fonts import SubsetMap, TTFFont
from matplotlib import font_manager

from evenbore.report.style import INK, clean, fonts

PAGE_WIDTH_MM, PAGE_HEIGHT_MM, PAGE_MARGIN_MM = 210, 297, 14
INNER = PAGE_WIDTH_MM - 2 * PAGE_MARGIN_MM
FONT = "DejaVu Sans"
_added: dict[str, TTFFont] = {}
_NOT_KEPT = {"GDEF", "GPOS", "GSUB", "MATH", "kern"}  # tables that fpdf2 leaves out in the end, having read them
_USUAL = (*range(0x20, 0x180), *range(0x2010, 0x2060), *range(0x2190, 0x2270))  # characters of most documents
logging.getLogger("fpdf").setLevel(logging.ERROR)  # it warns of every character that no font has
logging.getLogger("fontTools").setLevel(logging.ERROR)


class _Document(FPDF):
    def output(self, *where: Any, **options: Any) -> Any:
        """As fpdf2 does, but take the characters, its longest work, out of smaller files where these hold them."""
        for font in self.fonts.values():
            if isinstance(font, TTFFont) and font.fontkey in _added:
                few, names = _usual_alone(str(font.ttffile))
                used = {glyph.glyph_name for glyph, _ in font.subset.items() if glyph}
                font.ttfont = _font_file(BytesIO(few)) if used <= names else _font_file(font.ttffile, bounds=True)
        return super().output(*where, **options)


@cache
def _usual_alone(path: str) -> tuple[bytes, set[str]]:
    """A font's file without all but the _USUAL characters, and the names of its glyphs."""
    options = subset.Options(notdef_outline=True, recommended_glyphs=True, glyph_names=True)
    font, cutter, few = _font_file(path), subset.Subsetter(options), BytesIO()
    cutter.populate(unicodes=_USUAL)
    cutter.subset(font)
    font.save(few)
    return few.getvalue(), set(font.getGlyphOrder())


def _font_file(file: BytesIO | str | Path, bounds: bool = False) -> TTFont:
    font = TTFont(file, recalcBBoxes=bounds, recalcTimestamp=False, fontNumber=0, lazy=True)
    for table in _NOT_KEPT.intersection(font.keys()):
        del font[table]
    return font


def new_document() -> FPDF:
    """A document with its first page; the same content gives the same bytes."""
    pdf = _Document(format="A4")
    pdf.set_creation_date(datetime(2000, 1, 1, tzinfo=UTC))
    pdf.set_margin(PAGE_MARGIN_MM)
    pdf.set_auto_page_break(False)
    for family in fonts():
        _add_font(pdf, family, "", font_manager.findfont(family))
    _add_font(pdf, FONT, "B", font_manager.findfont(font_manager.FontProperties(family=FONT, weight="bold")))
    pdf.set_fallback_fonts(fonts()[1:])
    pdf.add_page()
    pdf.set_font(FONT, size=9)
    pdf.set_text_shaping(True)
    return pdf


def _add_font(pdf: FPDF, family: str, style: Literal["", "B"], path: str) -> None:
    """Add a font as fpdf2 does, but look up the widths of all its thousands of characters once, not for each document.

    What a document changes of it, the characters it uses, is its own.
    """
    key = f"{family.lower()}{style}"
    if key not in _added:
        pdf.add_font(family, style, path)
        added = cast(TTFFont, pdf.fonts[key])
        if added.is_cff:  # needs more of the document
            return
        _added[key] = added
        del pdf.fonts[key]
    font = copy(_added[key])
    font.i, font.subset, font.missing_glyphs = len(pdf.fonts) + 1, SubsetMap(font), []
    pdf.fonts[key] = font


def write(pdf: FPDF, text: str, size: float, colour: str = INK, bold: bool = False, most: int | None = None) -> None:
    """Write a paragraph over the whole width, cut after `most` lines."""
    _pen(pdf, size, colour, bold)
    text = _cut(pdf, text, INNER, most) if most else clean(text)
    _put(pdf, text, INNER, 0.45 * size)
    pdf.ln(1)


def _put(pdf: FPDF, text: str, width: float, tall: float) -> None:
    """Write the lines of a text one below the other, each so `tall`."""
    lines = _plain_lines(pdf, text, width)
    if lines:
        pdf.set_text_shaping(False)
        for line in lines:
            pdf.cell(width, tall, line, new_x=XPos.LEFT, new_y=YPos.NEXT)
    else:
        pdf.set_text_shaping(_needs_shaping(text))
        pdf.multi_cell(width, tall, text, align="L", new_x=XPos.LEFT, new_y=YPos.NEXT)


def _plain_lines(pdf: FPDF, text: str, width: float) -> list[str]:
    """The lines of a text in the font that is set, as fpdf2 breaks it, which takes it long; none where it must do so
    itself: letters that need shaping or another font, a word longer than a line."""
    font = pdf.current_font
    if not isinstance(font, TTFFont) or _needs_shaping(text) or not all(ord(c) in font.cmap for c in text):
        return []
    units = 1000 * pdf.k / pdf.font_size_pt
    room, space, used = (width - 2 * pdf.c_margin) * units + 1e-3, font.cw[0x20], float("inf")
    lines: list[str] = []
    for word in text.split(" "):
        wide = sum(font.cw[ord(character)] for character in word)
        if wide > room:
            return []
        if used + space + wide <= room:
            lines[-1] += f" {word}"
            used += space + wide
        else:
            lines.append(word)
            used = wide
    return lines


def _needs_shaping(text: str) -> bool:
    """Whether a text must go through HarfBuzz, character by character: not one in Latin letters, Greek or Cyrillic."""
    return any(ord(character) >= 0x0530 and not 0x2000 <= ord(character) < 0x2300 for character in text) or any(
        map(unicodedata.combining, text)
    )


def line_count(pdf: FPDF, text: str, width: float) -> int:
    """How many lines the text takes in the font that is set."""
    text = clean(text)
    if lines := _plain_lines(pdf, text, width):
        return len(lines)
    pdf.set_text_shaping(_needs_shaping(text))
    return len(cast(list[str], pdf.multi_cell(width, 1, text, align="L", dry_run=True, output="LINES")))


def table_row(
    pdf: FPDF, widths: Sequence[float], cells: Sequence[str], *, colours: Sequence[str] | None = None,
    bold: bool = False, most: int = 1, border: str | Literal[0, 1] = 1, edge: str = INK,
) -> None:  # fmt: skip
    """Write a row of a table at 8 points, each text cut after `most` lines; `border` as fpdf2's cells have it."""
    _pen(pdf, 8, INK, bold)
    texts = [_cut(pdf, text, width, most) for text, width in zip(cells, widths, strict=True)]
    tall = 1.0 + 3.6 * max(line_count(pdf, text, width) for text, width in zip(texts, widths, strict=True))
    top, left = pdf.get_y(), pdf.l_margin
    pdf.set_draw_color(edge)
    pdf.set_line_width(0.2)
    for text, width, colour in zip(texts, widths, colours or [INK] * len(texts), strict=True):
        pdf.set_text_color(colour)
        pdf.set_xy(left, top)
        pdf.cell(width, tall, border=border)
        pdf.set_xy(left, top + 0.5)
        _put(pdf, text, width, 3.6)
        left += width
    pdf.set_xy(pdf.l_margin, top + tall)


def _pen(pdf: FPDF, size: float, colour: str, bold: bool) -> None:
    pdf.set_font(FONT, "B" if bold else "", size)
    pdf.set_text_color(colour)


def _cut(pdf: FPDF, text: str, width: float, most: int) -> str:
    """The text, or as much of its beginning as fits into `most` lines, with an ellipsis."""
    text = clean(text)
    if line_count(pdf, text, width) <= most:
        return text
    kept = bisect_left(range(len(text)), True, key=lambda n: line_count(pdf, text[: n + 1] + "…", width) > most)
    return text[:kept].rstrip() + "…"
