"""A bench ticket as a PDF of one A4 page whose content also fits Letter.

Texts that would not fit are cut with an ellipsis: the page stays one page.
"""

from collections.abc import Sequence
from dataclasses import astuple
from pathlib import Path

from fpdf import FPDF

from evenbore.report.drawing import Shape, height
from evenbore.report.pdf import FONT, INNER, PAGE_MARGIN_MM, new_document, table_row, write
from evenbore.report.style import INK
from evenbore.tickets.ticket import Ticket

BOTTOM_MM = 264  # mm: Letter is 279 mm tall, less a margin
NOTES_MM, LEAST_NOTES_MM = 46, 30  # for the technician; the least that very long texts leave
_FINDING_COLUMNS = {"No.": 9, "Finding (written notes)": 92, "Size": 26, "Confidence": 22, "Found / done": 33}
_CHANGE_COLUMNS = {"What": 68, "Change": 30, "90 % interval": 45, "Pitch within tolerance": 39}
"""Heads of the tables and the width of their columns."""


def write_pdf(ticket: Ticket, path: Path) -> None:
    """Write the page."""
    pdf = new_document()
    pdf.set_title(f"Bench ticket: {ticket.title}")
    write(pdf, f"Bench ticket: {ticket.title}", 14, bold=True, most=2)
    write(pdf, ticket.subtitle, 9, most=3)
    _head(pdf, "What was found")
    _table(pdf, _FINDING_COLUMNS, [(*row, "") for row in ticket.findings] or [("", ticket.reasons, "", "", "")])
    if ticket.more:
        write(pdf, f"{ticket.more} more in findings.tsv.", 8)
    if ticket.words:
        _head(pdf, "The player's words")
        write(pdf, " ".join(text.rstrip(".") + "." for text in ticket.words), 9, most=2)
    _head(pdf, "Notes")
    _draw(pdf, ticket.strip)
    if ticket.tube:
        _head(pdf, "Where to look first (in order, not to scale)")
        _draw(pdf, ticket.tube)
    _head(pdf, "Before and after")
    write(pdf, ticket.before_after, 9, most=4)
    if ticket.changes:
        room = int((BOTTOM_MM - NOTES_MM - pdf.y) // 5.2) - 2
        _table(pdf, _CHANGE_COLUMNS, [astuple(one) for one in ticket.changes[: max(room, 0)]])
    if ticket.listen:
        write(pdf, f"Listen: {ticket.listen}.", 7.5, most=2)
    _technician(pdf, ticket.pointer)
    path.write_bytes(pdf.output())


def _head(pdf: FPDF, text: str) -> None:
    pdf.ln(1)
    write(pdf, text, 10.5, bold=True)


def _table(pdf: FPDF, columns: dict[str, int], rows: Sequence[tuple[str, ...]]) -> None:
    if rows:
        for number, row in enumerate([tuple(columns), *rows]):
            table_row(pdf, list(columns.values()), row, bold=number == 0, most=3)
        pdf.ln(1)


def _draw(pdf: FPDF, shapes: list[Shape]) -> None:
    top = pdf.y
    pdf.set_draw_color(INK)
    pdf.set_text_color(INK)
    for shape in shapes:
        x, y = PAGE_MARGIN_MM + shape.x, top + shape.y
        pdf.set_fill_color(shape.fill)
        if shape.kind == "rect":
            pdf.rect(x, y, shape.w, shape.h, style="DF")
        elif shape.kind == "circle":
            pdf.circle(x=x, y=y, radius=shape.w, style="DF")
        else:
            pdf.set_font(FONT, "", shape.size * 2.83)
            pdf.text(x - pdf.get_string_width(shape.text) / 2, y, shape.text)
    pdf.set_xy(PAGE_MARGIN_MM, top + height(shapes))


def _technician(pdf: FPDF, pointer: str) -> None:
    """Space for notes and signature, and what a ticket is, at the foot of the page."""
    pdf.set_y(min(pdf.y + 3, BOTTOM_MM - LEAST_NOTES_MM))
    write(pdf, "Technician's notes", 10.5, bold=True)
    foot = BOTTOM_MM - 9
    pdf.rect(PAGE_MARGIN_MM, pdf.y, INNER, max(foot - 9 - pdf.y, 8))
    pdf.line(PAGE_MARGIN_MM, foot, PAGE_MARGIN_MM + 60, foot)
    pdf.line(PAGE_MARGIN_MM + 70, foot, PAGE_MARGIN_MM + INNER, foot)
    pdf.set_font(FONT, "", 7)
    pdf.text(PAGE_MARGIN_MM, foot + 3, "Date")
    pdf.text(PAGE_MARGIN_MM + 70, foot + 3, "Name and signature")
    pdf.set_y(foot + 3.6)
    write(pdf, pointer, 6.5, most=2)
