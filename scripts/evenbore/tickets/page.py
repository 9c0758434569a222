"""A bench ticket as one HTML page without scripts or anything from the network."""

from pathlib import Path

import jinja2

from evenbore.files.tables import write_text
from evenbore.tickets.drawing import DRAWING_WIDTH_MM, height
from evenbore.tickets.ticket import Ticket

_TEMPLATES = Path(__file__).parent / "templates"


def write_html(ticket: Ticket, path: Path) -> None:
    """Write the page; everything from sheets and files is escaped."""
    environment = jinja2.Environment(
        loader=jinja2.FileSystemLoader(_TEMPLATES, encoding="utf-8"),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    page = environment.get_template("ticket.html").render(ticket=ticket, width=DRAWING_WIDTH_MM, height=height)
    write_text(page, str(path))
