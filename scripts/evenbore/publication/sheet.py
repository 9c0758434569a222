"""One page (A4) per instrument as PDF: values with their intervals, two curves, findings, tuning, cost.

What does not fit on the page stands in the report, and the page says so. Lengths in mm.
"""

from collections.abc import Iterable
from pathlib import Path

import pandas as pd
from fpdf import FPDF

from evenbore.facts.criteria import BETTER
from evenbore.facts.findings import FINDINGS
from evenbore.facts.rows import price_of
from evenbore.facts.words import plain
from evenbore.report import words
from evenbore.report.curves import MOST_NOTE_NAMES, Curves, NoteChart, all_curves, charts, note_names, place_on
from evenbore.report.pdf import FONT, INNER, PAGE_HEIGHT_MM, PAGE_MARGIN_MM, line_count, new_document, table_row, write
from evenbore.report.results import Results, rows_of
from evenbore.report.style import ACCENT, BAND_FILL, INK, LINE, MARK, SOFT_INK

LOWEST = PAGE_HEIGHT_MM - 24
CHARTS = 2
LEFT, RIGHT = PAGE_MARGIN_MM + 11.5, PAGE_MARGIN_MM + INNER - 2  # edges of a chart's field
FIELD_MM, _NAMES_MM = 47, 8  # its height, and that of the notes' names below it
_COLUMNS = (44, 24, 38, INNER - 106)
FOOT = (
    "For this player, mouthpiece and reed, on these days. A finding is for a qualified technician to look at, never a"
    " diagnosis; work on it may touch the warranty or the right of return."
)


def write_sheets(results: Results, folder: str | Path) -> None:
    """Write <instrument>.pdf of every instrument of the sheet into `folder`."""
    Path(folder).mkdir(parents=True, exist_ok=True)
    profiles = all_curves(results)
    ranks = words.rank_texts(results, words.answers(results))
    for name in results.order:
        sheet(results, name, profiles, ranks).output(str(Path(folder) / f"{name}.pdf"))


def sheet(results: Results, name: str, profiles: dict[str, Curves], ranks: dict[str, str]) -> FPDF:
    """The page of one instrument; `ranks`: from `words.rank_texts`."""
    pdf = new_document()
    row = results.study.instruments[name]
    write(pdf, results.label(name), 17, bold=True)
    kind = [results.study.families[row["family"]].name, *(row[key] for key in ("maker", "model", "serial") if row[key])]
    write(pdf, f"{results.study.config['title']}. {', '.join(kind)}; id {name}.", 9, SOFT_INK)
    write(pdf, ranks[name], 9)
    _table(pdf, results, name)
    for chart in charts(profiles, name)[:CHARTS]:
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
    if pdf.get_y() + 3.6 * line_count(pdf, text, INNER) + 5 > LOWEST:
        return False
    write(pdf, text, 8)
    return True


def _table(pdf: FPDF, results: Results, name: str) -> None:
    rows = results.of("instruments", name)
    rows = rows[rows["state"] == results.states.get(name)].set_index("criterion")
    table_row(
        pdf, _COLUMNS, ("criterion", "value", "90 % interval", ""), colours=(SOFT_INK,) * 4, border="B", edge=LINE
    )
    for criterion in rows_of(results.tables["criteria"]):
        if criterion.criterion not in rows.index:
            continue
        row = rows.loc[criterion.criterion]
        if pd.isna(row["value"]):
            texts = ("no value", "", "" if pd.isna(row["reason"]) else row["reason"])
        else:
            value, interval = words.value_texts(row)
            texts = (f"{value} {criterion.unit}", interval, BETTER[criterion.better].sentence.lower())
        cells = (plain(criterion.criterion), *texts)
        table_row(pdf, _COLUMNS, cells, colours=(INK, INK, INK, SOFT_INK), border="B", edge=LINE)
    pdf.ln(1)


def _chart(pdf: FPDF, chart: NoteChart) -> None:
    """A curve over the notes, as the report draws it."""
    write(pdf, f"{chart.title} ({chart.axis}). {chart.legend}", 7.5, SOFT_INK)
    top = pdf.get_y() + 1
    bottom = top + FIELD_MM
    x, y = place_on(*chart.notes, LEFT + 1.5, RIGHT - 1.5), place_on(*chart.limits, bottom, top)

    def path(notes: Iterable[float], values: Iterable[float]) -> list[tuple[float, float]]:
        return [(x(note), y(value)) for note, value in zip(notes, values, strict=True)]

    pdf.set_line_width(0.1)
    pdf.set_draw_color(LINE)
    pdf.set_font(FONT, "", 6.5)
    pdf.set_text_color(SOFT_INK)
    for value, text in chart.ticks.items():
        pdf.line(LEFT, y(value), RIGHT, y(value))
        pdf.text(LEFT - 1.5 - pdf.get_string_width(text), y(value) + 0.8, text)
    for note, text in note_names(chart.points, MOST_NOTE_NAMES).items():
        place = x(note) + 0.8, bottom + 1.5 + pdf.get_string_width(text)
        with pdf.rotation(90, *place):
            pdf.text(*place, text)
    low, middle, high = (path(chart.band.index, chart.band[edge]) for edge in ("low", "middle", "high"))
    pdf.set_fill_color(BAND_FILL)
    if middle:
        pdf.polygon([*low, *reversed(high)], style="F")
    pdf.set_draw_color(SOFT_INK)
    pdf.set_dash_pattern(0.3, 1)
    for border in chart.borders:
        pdf.line(x(border), top, x(border), bottom)
    pdf.set_dash_pattern(1.2, 1)
    if middle:
        pdf.polyline(middle)
    pdf.set_dash_pattern()
    pdf.set_draw_color(ACCENT)
    pdf.set_fill_color(ACCENT)
    pdf.set_line_width(0.25)
    pdf.polyline(path(chart.points["written"], chart.points["value"]))
    points = chart.points[["written", "value", "low", "high", "marked"]]
    for written, value, least, most, marked in points.itertuples(index=False):
        across, up = x(written), y(value)
        if pd.notna(least):
            pdf.line(across, y(least), across, y(most))
        pdf.circle(across, up, radius=0.6, style="F")
        if marked:
            pdf.set_draw_color(MARK)
            pdf.polygon([(across, up - 1.8), (across + 1.8, up), (across, up + 1.8), (across - 1.8, up)])
            pdf.set_draw_color(ACCENT)
    pdf.set_y(bottom + _NAMES_MM)


def _texts(results: Results, name: str) -> list[str]:
    """Status, tuning advice and findings, the most useful first; what was before is told as that."""
    texts, statuses = [], results.status(name)
    for row in reversed(statuses):
        when = f"Now, {plain(row['state'])}" if row["current"] == "yes" else f"Before, {plain(row['state'])}"
        texts.append(f"{when}: {row['decision']}.")
        for column, head in (("against", "Against it"), ("good", "Good"), ("character", "Character"), ("open", "Open")):
            texts += [f"{head}: {row[column]}."] if row[column] else []
        if row["current"] == "yes":
            texts.append(f"Must-passes: {words.gate(row['must_pass'])}.")
    advice = results.of("tuning_advice", name)
    texts[1:1] = [f"Tuning. {text}" for text in advice[advice["state"] == results.states.get(name)]["advice"]]
    findings = results.of("findings", name)
    now = findings[(findings["state"] == results.states.get(name)) & (findings["scope"] == "unit")]
    for kind, confidence, explanation in now[["kind", "confidence", "explanation"]].itertuples(index=False):
        sure = "" if pd.isna(confidence) else f", probability {words.percent(confidence)}"
        texts.append(f"{FINDINGS[kind].words.capitalize()}{sure}. {explanation}")
    row = results.study.instruments[name]
    if (price := price_of(row)) is not None:
        value = next((status["total_cost"] for status in statuses if status["current"] == "yes"), None)
        total = (
            ""
            if pd.isna(value)
            else f", {words.number(value, 0)} in all (set-up, case and repairs found by inspection)"
        )
        texts.insert(1, f"Cost. Price {words.number(price, 0)}{total}, {results.study.config['currency']}.")
    return texts
