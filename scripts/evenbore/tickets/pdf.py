"""A bench ticket as a PDF of one A4 page whose content also fits Letter, by fpdf2.

The font is the DejaVu Sans that matplotlib brings; a character it lacks shows as an empty box, as in any PDF. Texts
that would not fit are cut with an ellipsis: the page stays one page.
"""

from datetime import UTC, datetime
from pathlib import Path

import matplotlib
from fpdf import FPDF

from evenbore.tickets.drawing import DRAWING_WIDTH_MM, Shape, height
from evenbore.tickets.ticket import Ticket

NO_DATE = datetime(2000, 1, 1, tzinfo=UTC)  # the same input gives the same bytes
MARGIN_MM = 12.0
BOTTOM_MM = 264.0  # mm: Letter is 279 mm tall, less the same margin
NOTES_MM = 46.0  # kept for the technician
WIDTHS = {"findings": (9.0, 94.0, 27.0, 22.0, 34.0), "changes": (70.0, 30.0, 46.0, 40.0)}
HEADS = {
    "findings": ("No.", "Finding (written notes)", "Size", "Confidence", "Found / done"),
    "changes": ("What", "Change", "90 % interval", "Pitch within tolerance"),
}


def write_pdf(ticket: Ticket, path: Path) -> None:
    """Write the page."""
    pdf = FPDF(format="A4", unit="mm")
    pdf.set_creation_date(NO_DATE)
    pdf.set_auto_page_break(False)
    pdf.set_margins(MARGIN_MM, MARGIN_MM)
    pdf.c_margin = 0.0
    folder = Path(matplotlib.get_data_path()) / "fonts" / "ttf"
    pdf.add_font("sans", "", folder / "DejaVuSans.ttf")
    pdf.add_font("sans", "B", folder / "DejaVuSans-Bold.ttf")
    pdf.set_title(f"Bench ticket: {ticket.title}")
    pdf.add_page()
    _text(pdf, f"Bench ticket: {ticket.title}", 14, most=2, bold=True)
    _text(pdf, ticket.subtitle, 9, most=3)
    _text(pdf, "What was found", 10.5, bold=True, above=2)
    rows = [(*row, "") for row in ticket.findings] or [("", ticket.reasons, "", "", "")]
    _table(pdf, "findings", rows)
    if ticket.more:
        _text(pdf, f"{ticket.more} more in findings.tsv.", 8)
    _text(pdf, "Notes", 10.5, bold=True, above=2)
    _draw(pdf, ticket.strip)
    if ticket.tube:
        _text(
            pdf, "Where to look first (holes by the note they first open for; not to scale)", 10.5, bold=True, above=2
        )
        _draw(pdf, ticket.tube)
    _text(pdf, "Before and after", 10.5, bold=True, above=2)
    _text(pdf, ticket.before_after, 9, most=2)
    if ticket.changes:
        room = int((BOTTOM_MM - NOTES_MM - pdf.y) // 5.2) - 2
        _table(pdf, "changes", ticket.changes[: max(room, 0)])
    if ticket.listen:
        _text(pdf, f"Listen: {ticket.listen}.", 7.5, most=2, above=1)
    _technician(pdf, ticket.pointer)
    path.write_bytes(pdf.output())


def _text(pdf: FPDF, text: str, size: float, most: int = 1, bold: bool = False, above: float = 0.0) -> None:
    """Lines of text over the full width, at most `most`."""
    pdf.set_font("sans", "B" if bold else "", size)
    pdf.set_xy(MARGIN_MM, pdf.y + above)
    for line in _lines(pdf, text, DRAWING_WIDTH_MM, most):
        pdf.cell(DRAWING_WIDTH_MM, size * 0.45, line, new_x="LMARGIN", new_y="NEXT")


def _lines(pdf: FPDF, text: str, width: float, most: int) -> list[str]:
    lines = pdf.multi_cell(width, 4, " ".join(text.split()), dry_run=True, output="LINES", align="L")
    if len(lines) > most:
        lines = [*lines[: most - 1], lines[most - 1][:-2].rstrip() + "…"]
    return lines


def _table(pdf: FPDF, name: str, rows: list[tuple]) -> None:
    if not rows:
        return
    for number, row in enumerate([HEADS[name], *rows]):
        pdf.set_font("sans", "B" if number == 0 else "", 8)
        cells = [_lines(pdf, text, width - 2, 3) for text, width in zip(row, WIDTHS[name], strict=True)]
        tall = 3.6 * max(1, *(len(lines) for lines in cells)) + 1.6
        x, y = MARGIN_MM, pdf.y
        for lines, width in zip(cells, WIDTHS[name], strict=True):
            pdf.rect(x, y, width, tall)
            for place, line in enumerate(lines):
                pdf.set_xy(x + 1, y + 0.8 + 3.6 * place)
                pdf.cell(width, 3.6, line)
            x += width
        pdf.set_xy(MARGIN_MM, y + tall)


def _draw(pdf: FPDF, shapes: list[Shape]) -> None:
    top = pdf.y + 1
    for shape in shapes:
        x, y = MARGIN_MM + shape.x, top + shape.y
        pdf.set_fill_color(shape.fill)
        if shape.kind == "rect":
            pdf.rect(x, y, shape.w, shape.h, style="DF")
        elif shape.kind == "circle":
            pdf.circle(x=x, y=y, radius=shape.w, style="DF")
        else:
            pdf.set_font("sans", "", shape.size * 2.83)
            pdf.text(x - pdf.get_string_width(shape.text) / 2, y, shape.text)
    pdf.set_xy(MARGIN_MM, top + height(shapes))


def _technician(pdf: FPDF, pointer: str) -> None:
    """Space for notes and signature, and what a ticket is, at the foot of the page."""
    y = min(pdf.y + 3, BOTTOM_MM - NOTES_MM)
    pdf.set_xy(MARGIN_MM, y)
    _text(pdf, "Technician's notes", 10.5, bold=True)
    foot = BOTTOM_MM - 9
    pdf.rect(MARGIN_MM, pdf.y + 1, DRAWING_WIDTH_MM, max(foot - 8 - pdf.y, 8))
    pdf.line(MARGIN_MM, foot, MARGIN_MM + 60, foot)
    pdf.line(MARGIN_MM + 70, foot, MARGIN_MM + DRAWING_WIDTH_MM, foot)
    pdf.set_font("sans", "", 7)
    pdf.text(MARGIN_MM, foot + 3, "Date")
    pdf.text(MARGIN_MM + 70, foot + 3, "Name and signature")
    pdf.set_xy(MARGIN_MM, foot + 3.6)
    _text(pdf, pointer, 6.5, most=2)
