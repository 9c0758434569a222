"""Build report.html: one file that holds everything and asks the network for nothing."""

import base64
import json
import re
import zlib
from collections.abc import Iterable
from datetime import UTC, datetime
from functools import cache
from pathlib import Path
from typing import Any, cast

import jinja2
import pandas as pd
import yaml

from evenbore.compare.rank import better_of
from evenbore.facts.columns import TABLES
from evenbore.facts.criteria import BETTER, CRITERIA, EXACT, GATES
from evenbore.facts.findings import FINDINGS
from evenbore.facts.rows import Row, price_of
from evenbore.facts.verdicts import DECISIONS, VERDICTS
from evenbore.facts.words import plain
from evenbore.figures.draw import narrow_svg
from evenbore.figures.entries import FIGURES, ON_PAGE
from evenbore.files.atomic import write_atomically
from evenbore.files.webpage import script_data, script_hash, templates_in
from evenbore.judge.assess import IN_DOUBT
from evenbore.page import charts, research
from evenbore.page.glossary import glossary, slug
from evenbore.page.notemap import map_data
from evenbore.page.opening import opening
from evenbore.page.priorities import priorities_data
from evenbore.page.sound import sound_data
from evenbore.recording.clips import Clip
from evenbore.report import decide, words
from evenbore.report.curves import MOST_NOTE_NAMES, Curves, all_curves, note_names
from evenbore.report.drawing import findings_strip, svg
from evenbore.report.pairwords import pair_sentences, undecided_throughout
from evenbore.report.playing import in_playing
from evenbore.report.portraits import portraits
from evenbore.report.results import Results
from evenbore.report.story import stories
from evenbore.setups.selfsame import unlike_words
from evenbore.statistics.student import Z_HALF
from evenbore.trade.inspection import not_inspected

MOST_CHANGES_TOLD = 5
SOME_IN_DOUBT = f"some {IN_DOUBT} (how many: instruments.tsv)"
FLATTERED = "flattered by what was found on it, so it counts as no merit"
TEMPLATES = Path(__file__).parent / "templates"
PAGE_SCRIPTS = (
    "pager.js",
    "choice.js",
    "report.js",
    "folded.js",
    "pairs.js",
    "priorities.js",
    "listen.js",
    "map.js",
    "figures.js",
)
EARLY_SCRIPTS = ("choice.js",)
"""What the first screen needs, run before the rest of the page has arrived."""


def write_page(
    results: Results, draws: str | Path, clips: list[Clip], provenance: dict[str, Any],
    changed: list[tuple[str, list[str]]], path: str | Path,
) -> None:  # fmt: skip
    """Write the report as HTML, piece by piece. `draws`: what `rank.save_pools` kept; `changed`: in the answer since
    the last run, heads with their items."""
    environment = page_templates()
    context = _context(results, draws, clips, environment) | {"provenance": provenance}
    context["changed"] = [(head, [_with_labels(results, item) for item in items]) for head, items in changed]
    section = environment.get_template("instrument.html")
    context["folded_data"] = (
        script_data([name, results.label(name), _packed_text(section.render(context | {"s": _instrument(
            results, name, context["profiles"])}))])
        for name in context["folded"]
    )  # fmt: skip
    stream = environment.get_template("report.html").stream(context)
    write_atomically(path, lambda temporary: stream.dump(str(temporary), "utf-8"))


@cache
def page_templates() -> jinja2.Environment:
    """The report's templates, which compile when first asked for."""
    environment = templates_in(TEMPLATES)
    environment.filters |= {"number": words.number, "percent": words.percent, "plain": plain, "gate": words.gate}
    environment.filters |= {"sentence": words.sentence, "slug": slug}
    environment.filters |= {"deciding": decide.deciding, "speaking": decide.speaking, "price_of": price_of}
    return environment


def _context(results: Results, draws: str | Path, clips: list[Clip], environment: jinja2.Environment) -> dict[str, Any]:
    """What the templates show."""
    study, shown = results.study, results.shown
    written_out = set(shown)
    folded = [name for name in results.order if name not in written_out]
    pairs, profiles, answers = _pairs(results), all_curves(results), words.answers(results)
    sound, weighing = sound_data(results, clips), priorities_data(results, draws)
    first = opening(results, answers, environment)
    texts = {"sound_data": script_data(sound), "own_data": script_data(weighing),
             "choice_data": script_data(first["steps"])}  # fmt: skip
    notes = map_data(results, _packed_text)
    texts["map_data"] = script_data(notes)
    weighable = {weighing["criteria"][c][0] for pool in weighing.pop("pools") for c in pool["criteria"]}
    for clip in sound["clips"]:
        del clip["mp3"]  # it is large, and in the text
    script, early = (
        '"use strict";\n' + "".join((TEMPLATES / name).read_text("utf-8") for name in names)
        for names in (PAGE_SCRIPTS, EARLY_SCRIPTS)
    )
    return texts | {
        "study": study,
        "config": study.config,
        "label": {name: results.label(name) for name in study.instruments},
        "order": results.order,
        "shown": shown,
        "written_out": written_out,
        "folded": folded,
        "first_of_all": _first_of_all(results),
        "most_named": words.most_named(results),
        "states": results.states,
        "counts": _counts(results),
        "answers": answers,
        "first": first,
        "portraits": portraits(results),
        "chances": _chances(answers, results.shown),
        "buyer_words": plain(next(iter(study.config["priorities"]), "")),
        "undecided": undecided_throughout(results),
        "glossary": glossary(),
        "map": notes,
        "unranked": words.unranked(results),
        "groups": _groups(results),
        "weighable": weighable,
        "own_gates": GATES,
        "own_draws": weighing["draws"],
        "own_error": 100 * Z_HALF * 0.5 / weighing["draws"] ** 0.5,
        "sound": sound,
        "hearable": {(clip["instrument"], clip["state"]) for clip in sound["clips"] if clip["kind"] == "scale"},
        "table": _comparison(results),
        "now": {row["instrument"]: row for row in _records(results.tables["status"].query("current == 'yes'"))},
        "ranks": words.rank_texts(results, answers),
        "figures": (_figure(results, name) for name in ON_PAGE),
        "profiles": profiles,
        "sections": (_instrument(results, name, profiles) for name in shown),
        "decisions": _decisions(results),
        "decision_words": DECISIONS,
        "stories": stories(results, MOST_CHANGES_TOLD),
        "traits": words.traits(results),
        "pairs": pairs,
        "next_steps": words.next_steps(results.tables["next"]),
        "own_days": words.own_days_words(results.tables["own_days"], results.tables["comparability"]),
        "compare_data": script_data(_side_by_side(results, profiles)),
        "verdicts": VERDICTS,
        "kinds": FINDINGS,
        "criteria": _records(results.tables["criteria"]),
        "entry": CRITERIA,
        "better": BETTER,
        "sessions": _sessions(results),
        "factors": research.factors(results),
        "curve_size": research.CURVE_PX,
        "inseparable": _inseparable(results),
        "unlike": unlike_words(results.tables["comparability"]),
        "session_findings": _records(results.tables["findings"].query("instrument.isna()")),
        "recordings": _records(results.tables["recordings"]),
        "columns": TABLES,
        "added_settings": results.study.added_settings,
        "settings": yaml.safe_dump(study.config, sort_keys=False, allow_unicode=True),
        "made": datetime.now(UTC).date().isoformat(),
        "style": (TEMPLATES / "report.css").read_text("utf-8"),
        "script": script,
        "early_script": early,
        "script_hashes": [script_hash(text) for text in (early, script)],
    }


def _with_labels(results: Results, text: str) -> str:
    """The text with labels for the ids that stand before a bracket."""
    sheet = results.study.instruments
    return re.sub(
        r"[A-Za-z0-9][\w-]*(?= \()", lambda told: results.label(told[0]) if told[0] in sheet else told[0], text
    )


def _first_of_all(results: Results) -> str:
    """In words, which instruments are shown of many."""
    of = " of every kind" if len(results.kinds(results.order)) > 1 else ""
    return f"the first{of} in rank: {len(results.shown)} of {len(results.order)} instruments"


def _chances(answers: list[words.Answer], shown: list[str]) -> dict[str, dict[str, str]]:
    """Instrument -> its probability to be first for each kind of buyer, of those that were ranked with others."""
    told: dict[str, dict[str, str]] = {name: {} for name in shown}
    for answer in answers:
        for place in answer.places if not answer.alone else ():
            if place.instrument in told:
                told[place.instrument][answer.priorities] = words.percent(place.p_first)
    return told


def _records(frame: pd.DataFrame) -> list[Row]:
    """Rows as dicts, None for what is missing."""
    columns = [
        [None if missing else value for value, missing in zip(column.tolist(), column.isna(), strict=True)]
        for _, column in frame.items()
    ]
    return [dict(zip(frame.columns, row, strict=True)) for row in zip(*columns, strict=True)]


def _counts(results: Results) -> dict[str, int]:
    recordings = results.tables["recordings"]
    return {
        "instruments": len(results.study.instruments),
        "recordings": len(recordings),
        "sessions": len(results.study.sessions),
        "set_aside": int((recordings["status"] == "set_aside").sum()),
        "warned": int((recordings["status"] == "warned").sum()),
    }


def _groups(results: Results) -> dict[int, list[str]]:
    """Instruments by comparability group."""
    group = results.compared("instruments").groupby("instrument")["group"].first().dropna()
    return {int(g): [name for name in results.order if group.get(name) == g] for g in sorted(group.unique())}


def _decisions(results: Results) -> list[Row]:
    """The rows of the table `status` in the reports' order, with where to hear what was found."""
    heard = results.tables["vetting"].set_index(["instrument", "state"])[["listen", "shipment"]]
    return [row | {str(key): None if pd.isna(value) else value
                   for key, value in cast(pd.Series, heard.loc[(name, row["state"])]).items()}
            for name in results.order for row in reversed(results.status(name))]  # fmt: skip


def _comparison(results: Results) -> dict[str, Any]:
    """The comparison table: `columns` (criteria that anybody has), `cells` by instrument and criterion, `notes`:
    the reasons that cells refer to by number, `missing`: criteria without any value and why."""
    rows = results.compared("instruments")
    columns: list[Row] = []
    cells: dict[str, dict[str, Row]] = {name: {} for name in results.order}
    notes: dict[str, int] = {}
    # cost first, where it can be seen without scrolling
    for criterion in sorted(_records(results.tables["criteria"]), key=lambda c: c["criterion"] not in EXACT):
        name = criterion["criterion"]
        of_criterion = rows[rows["criterion"] == name]
        if of_criterion["value"].notna().sum() == 0:
            continue
        figures = words.decimals((of_criterion["high"] - of_criterion["low"]) / 2)
        drawn = charts.bars(of_criterion)
        columns.append(criterion)
        for row in _records(of_criterion):
            value, reason = row["value"], row["reason"]
            if reason and value is not None:  # of every value another number of notes: one remark serves all
                reason = "; ".join(SOME_IN_DOUBT if IN_DOUBT in clause else clause for clause in reason.split("; "))
            if (row["instrument"], name) in results.flattered:
                reason = "; ".join(filter(None, (reason, FLATTERED)))
            if reason:
                notes.setdefault(reason, len(notes) + 1)
            cells[row["instrument"]][name] = {
                "sort": value,
                "value": words.number(value, figures),
                "low": words.number(row["low"], figures),
                "high": words.number(row["high"], figures),
                "bar": drawn.get(row["instrument"]),
                "note": notes[reason] if reason else None,
            }
    shown = {column["criterion"] for column in columns}
    reasons = rows.dropna(subset="reason").groupby("criterion")["reason"].first()
    missing = [(c, reasons.get(c, "no recordings")) for c in results.tables["criteria"]["criterion"] if c not in shown]
    return {"columns": columns, "cells": cells, "notes": list(notes), "missing": missing}


def _figure(results: Results, name: str) -> dict[str, Any]:
    """A figure to be unpacked when it is looked at: the SVG, deflated, with its size in pt."""
    data = narrow_svg(results, name)
    size = re.search(r'viewBox="0 0 ([\d.]+) ([\d.]+)"', data)  # as Matplotlib writes it
    width, height = map(float, size.groups()) if size else (4.0, 3.0)
    return {
        "packed": _packed_text(data),
        "width": round(width),
        "height": round(height),
        "name": name,
        "title": FIGURES[name].title,
        "caption": " ".join(FIGURES[name].caption.replace("``", "").split()),
    }


def _instrument(results: Results, name: str, profiles: dict[str, Curves]) -> dict[str, Any]:
    """What the section of one instrument shows."""
    study = results.study
    of_table = {
        table: _records(results.of(table, name)) for table in ("findings", "tuning_advice", "recordings", "value")
    }
    state, music = results.states.get(name), results.of("passages", name)
    family = study.families[study.instruments[name]["family"]]
    inspection = [row for row in study.inspection if row["instrument"] == name]
    findings = [row for row in of_table["findings"] if row["state"] == state and row["scope"] == "unit"]
    return {
        "name": name,
        "sheet": study.instruments[name],
        "family": family.name,
        "notes": _note_rows(name, profiles),
        "status": results.status(name),
        "advice": [row for row in of_table["tuning_advice"] if row["state"] == state],
        "findings": findings,
        "playing": in_playing(music[music["state"] == state]),
        "pattern": svg(findings_strip(family, findings), "The findings over the notes")
        if any(row["by_note"] for row in findings)
        else "",
        "recordings": of_table["recordings"],
        "value": of_table["value"][0] if of_table["value"] else None,
        "inspection": inspection,
        "uninspected": not_inspected(family.bore, [row["item"] for row in inspection]),
        "impressions": [row for row in study.impressions if row["instrument"] == name],
    }


def _note_rows(name: str, profiles: dict[str, Curves]) -> list[Row]:
    """Value and interval of each note's measures, as texts; None for one that was not measured."""
    notes: dict[int, dict[str, str | None]] = {}
    for measure, curves in profiles.items():
        row: Any
        for row in curves.of(name).itertuples(index=False):
            text = words.number(row.value, 1)
            if pd.notna(row.low):
                text += f" ({words.number(row.low, 1)} to {words.number(row.high, 1)})"
            notes.setdefault(row.written, {"note": row.written_note} | dict.fromkeys(profiles))[measure] = text
    return [notes[written] for written in sorted(notes)]


def _pairs(results: Results) -> str:
    """The pairs as compact JSON for the page's script; instruments, criteria, verdicts and reasons as indices.

    Last in each row: 1 the first instrument has the better value, -1 the second, 0 neither or not known.
    """
    rows = results.tables["pairs"]
    instruments, verdicts, criteria, reasons = (
        {name: i for i, name in enumerate(dict.fromkeys(names))}
        for names in (results.shown, VERDICTS, rows["criterion"], rows["reason"].dropna())
    )
    units = rows.drop_duplicates("criterion").set_index("criterion")["unit"].to_dict()
    noticeable = results.tables["criteria"].set_index("criterion")["just_noticeable"].to_dict()

    values = results.compared("instruments").set_index(["instrument", "criterion"])["value"].to_dict()
    direction = results.tables["criteria"].set_index("criterion")["better"].to_dict()

    def better(row: Any) -> int:
        a, b = (values.get((name, row.criterion), float("nan")) for name in (row.instrument_a, row.instrument_b))
        return better_of(a, b, direction[row.criterion])

    def figures(value: Any, digits: int = 4) -> float | None:
        return None if pd.isna(value) else float(f"{value:.{digits}g}")

    compared: Iterable[Any] = rows.itertuples(index=False)
    listed = [
        [instruments[r.instrument_a], instruments[r.instrument_b], criteria[r.criterion],
         verdicts[r.verdict], figures(r.difference), figures(r.low), figures(r.high),
         figures(r.p_adjusted, 2), None if pd.isna(r.takes_needed) else int(r.takes_needed),
         -1 if pd.isna(r.reason) else reasons[r.reason], better(r)]
        for r in compared
    ]  # fmt: skip
    data = {
        "instruments": [results.label(name) for name in instruments],
        "criteria": [[plain(name), units[name], figures(noticeable[name])] for name in criteria],
        "verdicts": [verdict.words for verdict in VERDICTS.values()],
        "reasons": list(reasons),
        "rows": listed,
    }
    return script_data(data)


def _side_by_side(results: Results, profiles: dict[str, Curves]) -> dict[str, Any]:
    """What the page shows of two instruments beside their pairs: values as texts by the criteria's places in the
    pairs, and the curves over the notes."""
    values = results.compared("instruments").set_index(["instrument", "criterion"])
    criteria = list(dict.fromkeys(results.tables["pairs"]["criterion"]))

    def texts(name: str, criterion: str) -> list[str]:
        if (name, criterion) not in values.index:
            return []
        value, interval = words.value_texts(values.loc[(name, criterion)])
        return [value, *interval.split(" to ")]

    def curve(curves: Curves, name: str) -> list[list[float | None]]:
        points = curves.of(name)[["written", "value", "low", "high"]].round(2)
        return points.astype(object).where(points.notna(), None).to_numpy().tolist()

    def axis(curves: Curves) -> list[object]:
        limits, names = [round(value, 2) for value in curves.limits], note_names(curves.rows, MOST_NOTE_NAMES)
        return [curves.title, curves.axis, limits, list(curves.ticks.items()), list(names.items())]

    place = {name: str(i) for i, name in enumerate(results.shown)}
    sentences = {f"{place[a]},{place[b]}": text for (a, b), text in pair_sentences(results).items()}
    return {
        "ids": results.shown,
        "sentences": _packed_text(json.dumps(sentences, ensure_ascii=False)),
        "values": [[texts(name, criterion) for criterion in criteria] for name in results.shown],
        "frame": charts.FRAME,
        "measures": [axis(curves) for curves in profiles.values()],
        "curves": [[curve(curves, name) for name in results.shown] for curves in profiles.values()],
    }


def _packed_text(text: str) -> str:
    """Text as UTF-8, deflated (zlib), in base64."""
    return base64.b64encode(zlib.compress(text.encode("utf-8"), 9)).decode("ascii")


def _inseparable(results: Results) -> dict[str, str]:
    """Instrument -> in words, what changed along with it."""
    links = results.tables["comparability"].dropna(subset="inseparable")
    return dict(zip(links["instrument"], links["inseparable"], strict=True))


def _sessions(results: Results) -> list[Row]:
    """Every session of the sheet with its group, link error and instruments."""
    links = results.tables["comparability"]
    sessions = []
    for session, sheet in results.study.sessions.items():
        its_links = links[links["session"] == session]
        members: Iterable[Any] = its_links.itertuples(index=False)
        sessions.append(
            sheet
            | {
                "group": None if its_links.empty else int(its_links["group"].iloc[0]),
                "link_se_db": None if its_links.empty else its_links["link_se_db"].iloc[0],
                **{words: "".join(its_links[words].dropna().head(1)) for words in ("advice", "odd_response")},
                "instruments": [(row.instrument, row.links > 0) for row in members],
            }
        )
    return sessions
