"""Pages (A4) as PDF with text in any script.

Conventions: lengths in mm. Text: DejaVu Sans, what else is installed where that lacks a character, right-to-left text
in its order (HarfBuzz). A character that no font has is an empty box.
"""

import logging
import unicodedata
from datetime import UTC, datetime

from fpdf import FPDF
from fpdf.enums import XPos, YPos
from matplotlib import font_manager

from evenbore.figures.style import fonts

PAGE_WIDTH_MM, PAGE_HEIGHT_MM, PAGE_MARGIN_MM = 210, 297, 14
INNER = PAGE_WIDTH_MM - 2 * PAGE_MARGIN_MM
INK, SOFT_INK, GRID = (29, 33, 37), (85, 92, 99), (201, 206, 211)
FONT = "DejaVu Sans"
logging.getLogger("fpdf").setLevel(logging.ERROR)  # it warns of every character that no font has
logging.getLogger("fontTools").setLevel(logging.ERROR)


def new_document() -> FPDF:
    """A document with its first page; the same content gives the same bytes."""
    pdf = FPDF(format="A4")
    pdf.set_creation_date(datetime(2000, 1, 1, tzinfo=UTC))
    pdf.set_margin(PAGE_MARGIN_MM)
    pdf.set_auto_page_break(False)
    for family in fonts():
        pdf.add_font(family, "", font_manager.findfont(family))
    pdf.add_font(FONT, "B", font_manager.findfont(font_manager.FontProperties(family=FONT, weight="bold")))
    pdf.set_fallback_fonts(fonts()[1:])
    pdf.add_page()
    pdf.set_font(FONT, size=9)
    pdf.set_text_shaping(True)
    return pdf


def write(pdf: FPDF, text: str, size: float, colour=INK, bold: bool = False) -> None:
    """Write a paragraph over the whole width, `size` in points."""
    pdf.set_font(FONT, "B" if bold else "", size)
    pdf.set_text_color(*colour)
    pdf.multi_cell(INNER, 0.45 * size, clean(text), align="L", new_x=XPos.LMARGIN, new_y=YPos.NEXT)
    pdf.ln(1)


def clean(text: str) -> str:
    """One line without control characters, of any script."""
    return "".join(c for c in " ".join(text.split()) if unicodedata.category(c) not in ("Cc", "Cf", "Cs"))
