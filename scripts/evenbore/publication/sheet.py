"""One page (A4) per instrument as PDF: values with their intervals, two curves, findings, tuning, cost.

What does not fit on the page stands in the report, and the page says so. Lengths in mm.
"""

from pathlib import Path

import pandas as pd
from fpdf import FPDF

from evenbore.facts.findings import FINDINGS
from evenbore.facts.words import plain
from evenbore.page import charts
from evenbore.report import words
from evenbore.report.curves import Curves
from evenbore.report.pdf import (
    FONT,
    GRID,
    INK,
    INNER,
    PAGE_HEIGHT_MM,
    PAGE_MARGIN_MM,
    SOFT_INK,
    clean,
    new_document,
    write,
)
from evenbore.report.results import Results

LOWEST = PAGE_HEIGHT_MM - 24
CHARTS = 2
BAND_RGB, BLUE_RGB, MARK_RGB = (226, 228, 231), (11, 90, 143), (176, 74, 0)
FOOT = (
    "For this player, mouthpiece and reed, on these days. A finding is for a qualified technician to look at, never a"
    " diagnosis; work on it may touch the warranty or the right of return."
)


def write_sheets(results: Results, folder: str | Path) -> None:
    """Write <instrument>.pdf of every instrument of the sheet into `folder`."""
    Path(folder).mkdir(parents=True, exist_ok=True)
    profiles = charts.centred_profiles(results)
    for name in results.order:
        sheet(results, name, profiles).output(str(Path(folder) / f"{name}.pdf"))


def sheet(results: Results, name: str, profiles: dict[str, Curves]) -> FPDF:
    """The page of one instrument."""
    pdf = new_document()
    row = results.study.instruments[name]
    write(pdf, results.label(name), 17, bold=True)
    kind = [results.study.families[row["family"]].name, *(row[key] for key in ("maker", "model", "serial") if row[key])]
    write(pdf, f"{results.study.config['title']}. {', '.join(kind)}; id {name}.", 9, SOFT_INK)
    write(pdf, words.rank_texts(results)[name], 9)
    _table(pdf, results, name)
    for chart in charts.instrument_charts(results, name, profiles)[:CHARTS]:
        _chart(pdf, chart)
    left = [part for part in _texts(results, name) if not _fits(pdf, part)]
    if left:
        write(pdf, f"Not shown for want of space: {len(left)}; see the report.", 8, SOFT_INK)
    pdf.set_y(PAGE_HEIGHT_MM - 18)
    write(pdf, FOOT, 7.5, SOFT_INK)
    return pdf


def _fits(pdf: FPDF, text: str) -> bool:
    """Write the text if it fits above the foot; return whether it did."""
    pdf.set_font(FONT, "", 8)
    lines = pdf.multi_cell(INNER, 3.6, clean(text), align="L", dry_run=True, output="LINES")
    if pdf.get_y() + 3.6 * len(lines) + 5 > LOWEST:
        return False
    write(pdf, text, 8)
    return True


def _table(pdf: FPDF, results: Results, name: str) -> None:
    rows = results.of("instruments", name)
    rows = rows[rows["state"] == results.states.get(name)].set_index("criterion")
    better = {"lower": "lower is better", "higher": "higher is better", "target": "nearest 0 is best"}
    _row(pdf, ("criterion", "value", "90 % interval", ""), (SOFT_INK,) * 4)
    for criterion in results.tables["criteria"].itertuples(index=False):
        if criterion.criterion not in rows.index:
            continue
        row = rows.loc[criterion.criterion]
        if pd.isna(row["value"]):
            cells = ("no value", "", "" if pd.isna(row["reason"]) else row["reason"])
        else:
            value, interval = words.value_texts(row)
            cells = (f"{value} {criterion.unit}", interval, better[criterion.better])
        _row(pdf, (plain(criterion.criterion), *cells), (INK, INK, INK, SOFT_INK))
    pdf.ln(1)


def _row(pdf: FPDF, cells, colours) -> None:
    pdf.set_draw_color(*GRID)
    for width, text, colour in zip((44, 24, 38, INNER - 106), cells, colours, strict=True):
        _cell(pdf, width, text, colour)
    pdf.ln(4.6)


def _cell(pdf: FPDF, width: float, text: str, colour) -> None:
    pdf.set_font(FONT, "", 8)
    pdf.set_text_color(*colour)
    text = clean(text)
    while pdf.get_string_width(text) > width - 2:
        text = text[:-2] + "…"
    pdf.cell(width, 4.6, text, border="B")


def _chart(pdf: FPDF, chart: charts.NoteChart) -> None:
    """A curve over the notes, as the report draws it."""
    write(pdf, f"{chart.title} ({chart.axis}). {chart.legend}", 7.5, SOFT_INK)
    scale = INNER / charts.WIDTH
    top = pdf.get_y() - 4

    def place(x: float, y: float) -> tuple[float, float]:
        return PAGE_MARGIN_MM + scale * x, top + scale * y

    def path(text: str) -> list[tuple[float, float]]:
        return [place(*map(float, pair.split(","))) for pair in text.split()]

    pdf.set_line_width(0.1)
    pdf.set_draw_color(*GRID)
    pdf.set_font(FONT, "", 6.5)
    pdf.set_text_color(*SOFT_INK)
    for y, text in chart.y_ticks:
        pdf.line(*place(charts.LEFT, y), *place(charts.WIDTH - charts.RIGHT, y))
        pdf.text(*place(charts.LEFT - 6 * len(text) - 10, y + 4), text)
    pdf.set_fill_color(*BAND_RGB)
    if chart.band:
        pdf.polygon(path(chart.band), style="F")
    for x, text in chart.x_ticks:
        with pdf.rotation(90, *place(x + 4, charts.HEIGHT - charts.BOTTOM + 32)):
            pdf.text(*place(x + 4, charts.HEIGHT - charts.BOTTOM + 32), text)
    pdf.set_draw_color(*SOFT_INK)
    pdf.set_dash_pattern(1.2, 1)
    if chart.middle:
        pdf.polyline(path(chart.middle))
    pdf.set_dash_pattern()
    pdf.set_draw_color(*BLUE_RGB)
    pdf.set_fill_color(*BLUE_RGB)
    pdf.set_line_width(0.25)
    pdf.polyline(path(chart.line))
    for x, y, low, high, _, marked in chart.points:
        if low is not None:
            pdf.line(*place(x, low), *place(x, high))
        pdf.circle(*place(x, y), radius=0.6, style="F")
        if marked:
            pdf.set_draw_color(*MARK_RGB)
            pdf.polygon([place(x, y - 7), place(x + 7, y), place(x, y + 7), place(x - 7, y)])
            pdf.set_draw_color(*BLUE_RGB)
    pdf.set_y(top + scale * (charts.HEIGHT - 14))


def _texts(results: Results, name: str) -> list[str]:
    """Status, tuning advice and findings, the most useful first; what was before is told as that."""
    texts = []
    for row in reversed(results.status(name)):
        when = f"Now, {plain(row['state'])}" if row["current"] == "yes" else f"Before, {plain(row['state'])}"
        texts.append(f"{when}: {row['decision']}.")
        for column, head in (("against", "Against it"), ("good", "Good"), ("open", "Open")):
            texts += [f"{head}: {row[column]}."] if row[column] else []
        if row["current"] == "yes":
            texts.append(f"Must-passes: {words.gate(row['must_pass'])}.")
    advice = results.of("tuning_advice", name)
    texts[1:1] = [f"Tuning. {text}" for text in advice[advice["state"] == results.states.get(name)]["advice"]]
    found = results.of("findings", name)
    now = found[(found["state"] == results.states.get(name)) & (found["scope"] == "unit")]
    for one in now.itertuples(index=False):
        sure = "" if pd.isna(one.confidence) else f", probability {words.percent(one.confidence)}"
        texts.append(f"{FINDINGS[one.kind].words.capitalize()}{sure}. {one.explanation}")
    row = results.study.instruments[name]
    if row["price"] is not None:
        value = next((status["total_cost"] for status in results.status(name) if status["current"] == "yes"), None)
        total = (
            ""
            if pd.isna(value)
            else f", {words.number(value, 0)} in all (set-up, case and repairs found by inspection)"
        )
        texts.insert(1, f"Cost. Price {words.number(row['price'], 0)}{total}, {results.study.config['currency']}.")
    return texts
