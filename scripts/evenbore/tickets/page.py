"""A bench ticket as one HTML page without scripts or anything from the network."""

from pathlib import Path

from evenbore.files.tables import write_text
from evenbore.files.webpage import templates_in
from evenbore.report.drawing import svg
from evenbore.tickets.ticket import Ticket

_TEMPLATES = Path(__file__).parent / "templates"


def write_html(ticket: Ticket, path: Path) -> None:
    """Write the page; everything from sheets and files is escaped."""
    template = templates_in(_TEMPLATES).get_template("ticket.html")
    page = template.render(ticket=ticket, draw=svg)
    write_text(page, str(path))
