"""Reads every output of a finished study into statements.

Subjects and what they claim:

    family          key of the family, from the sheet; `current`: the state that is compared
    tolerance       (cents of a note, confidence of a finding by tone) that the config allows
    decision        accept, bench, return or retake
    nothing_found   the words that say so
    findings        all findings that a list names, notes -> list of Finding; key: how many it says it leaves out
    must_pass       "pass", or what failed
    p_first, rank   of the priorities `key`: probability of the first place; lowest and highest rank
    order           of (priorities, first of its kind and group): instruments, best first
    first, tied     of the priorities: the instrument, or instruments, of which the output says so
    value           of the criterion `key`: (value, low, high); total_cost is one of them
    verdict         of (instrument, other, criterion); verdicts: how many pairs of (criterion, family, group) have each,
                    of all groups where it is None
    takes_needed    of the same: (takes, remark)
    tuning          Tuning, as advised
    compared        instruments that one sentence sets against each other
    clipped         whether all takes that the tone can be judged by are clipped
    inspected       an item seen as a fault, from the sheet; `seen`: an item that the reasons of a decision name
    quieter_room    session that a recording is said to be too noisy in; key: (dynamic, recording)
    quiet_enough    session of a recording of which nothing of the kind is said; key: (dynamic, recording)
    count           of instruments, recordings or sessions
"""

import base64
import csv
import json
import re
import zlib
from collections import Counter
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path

import openpyxl
import pypdf
import yaml

from .statements import NUMBER, SPAN, Finding, Range, Statement, exact, plain, printed, share, span
from .tree import Node, parse

DECISIONS = ("accept", "bench", "return", "retake")
SOFT = ("pp", "p", "mp", "mf")
LOUDNESS = ("pp", "p", "mp", "mf", "f", "ff")
NOTHING = re.compile(r"\bnothing (?:past the tolerances )?(?:was )?found\b|\bnothing stood out\b", re.I)
NONE_FOUND = re.compile(r"None(?: in the state ([\w ]+))?\.")
WHOLE = "the whole instrument"
OF_WHOLE = {"all_dull", "odd_one_out", "session_effect"}
WHOLE_WORDS = re.compile(r"dull throughout|unlike the others|whole scale|Unlike the \d+ others", re.I)
SIZE = re.compile(rf"({NUMBER}) ((?:cents?|dB|z|times)\b|%)")
OFF = re.compile(rf"(?:is|are)[\w ]*? ({NUMBER}) cents? (?:too )?(sharp|flat|wide|narrow)")
UNITS = {"cent": "cents", "times": "z"}
NOT_A_FINDING = re.compile(r"^only \d|notes? (?:was|were|not) found|missing|^must-pass|needed to judge|^no value for")
NUMBERED = re.compile(rf"(?<!\w)\d+ ([a-z][a-z ]+): ({SPAN.pattern})[^:]*?(?:({NUMBER}) (cents|dB|times|%)|not found)")


@dataclass(frozen=True)
class Tuning:
    """Tuning advice: its words, the note, how far from true it is to be (flat negative), how far off the whole is."""

    words: str
    note: str | None
    aim: Range | None
    offset: Range | None


def read_study(study: Path, results: Path | None = None) -> list[Statement]:
    """All statements of a study's outputs. `results`: their folder, if it is not the study's own."""
    reader = Reader(study, results or study / "results")
    return [statement for part in reader.parts() for statement in part]


class Reader:
    """What a study is about, by which its outputs are read, and the readers of each output."""

    def __init__(self, study: Path, results: Path):
        self.study, self.results = study, results
        self.config = yaml.safe_load((study / "config/config.yaml").read_text("utf-8"))
        self.sheet = {row["instrument"]: row for row in self._rows(study / "config/instruments.tsv")}
        self.label = {name: " ".join((row.get("label") or name).split()) for name, row in self.sheet.items()}
        self.named = {label: name for name, label in self.label.items()}
        self.tables = {path.stem: self._rows(path) for path in sorted((results / "tables").glob("*.tsv"))
                       if path.stem not in ("notes", "note_profiles", "band_profiles")}  # fmt: skip
        found: dict[str, set[str]] = {}
        for row in self.tables.get("instruments", []):
            found.setdefault(row["instrument"], set()).add(row["state"])
        wanted = self.config["compare_state"]
        known = {n: max(had, key=self.config["states"].index) if wanted == "latest" else wanted
                 for n, had in found.items()}  # fmt: skip
        self.current = known
        self.criteria = {row["criterion"]: row["unit"] for row in self.tables.get("criteria", [])}
        self.priorities = {plain(key): key for key in self.config["priorities"]}
        self.first_priorities = next(iter(self.config["priorities"]), None)
        labels = "|".join(re.escape(label) for label in sorted(self.named, key=len, reverse=True))
        self.labels = f"(?:{labels})" if labels else "(?!)"

    def parts(self) -> Iterator[Iterable[Statement]]:
        """The statements of each output."""
        yield self.sheets()
        yield self.table_statements()
        yield self.status("tables/status.tsv", self.tables.get("status", []))
        for path in (self.results / "report.html",):
            if path.exists():
                yield self.report(parse(path.read_text("utf-8")))
        if (self.results / "comparison.xlsx").exists():
            yield self.workbook()
        if (self.results / "publication/quotes.txt").exists():
            yield self.quotes((self.results / "publication/quotes.txt").read_text("utf-8"))
        for path in sorted((self.results / "publication/sheets").glob("*.pdf")):
            yield self.publication_sheet(path)
        for path in sorted((self.results / "bench_tickets").glob("*.html")):
            yield self.ticket(path.stem, f"bench_tickets/{path.name}", parse(path.read_text("utf-8")).text())
        for path in sorted((self.results / "bench_tickets").glob("*.pdf")):
            yield self.ticket(path.stem, f"bench_tickets/{path.name}", _pdf(path))
        yield self.paper()

    # --- sheets and tables ----------------------------------------------------------------------------------------

    def sheets(self) -> Iterator[Statement]:
        """What the sheets and the config say."""
        for name, row in self.sheet.items():
            yield Statement("config", "family", name, None, None, row["family"])
            yield Statement("config", "tolerance", name, None, None, self._tolerance(row))
        for row in self._rows(self.study / "config/inspection.tsv"):
            if row["result"] == "fault":
                state = row.get("state") or self.config["states"][0]
                yield Statement("config/inspection.tsv", "inspected", row["instrument"], state, row["item"], True)
        for name, state in self.current.items():
            yield Statement("tables/instruments.tsv", "current", name, state, None, True)

    def _tolerance(self, row: dict) -> tuple[float, float]:
        own = {}
        for grade in ("default", row.get("grade") or "default"):
            limits = self.config["tolerances"].get(grade, {})
            own |= limits | (limits.get("families") or {}).get(row["family"], {})
        return own["note_cents"], own["confidence"]

    def table_statements(self) -> Iterator[Statement]:
        """What the results tables say."""
        yield from self._findings_table()
        yield from self._vetting_table()
        yield from self._ranking("tables/ranking.tsv", self.tables.get("ranking", []))
        yield from self._values("tables/instruments.tsv", self.tables.get("instruments", []))
        yield from self._pairs("tables/pairs.tsv", self.tables.get("pairs", []))
        yield from self._recordings()
        for row in self.tables.get("value", []):
            own = "tables/value.tsv", row["instrument"]
            if row["total_cost"]:
                cost = exact(float(row["total_cost"])), None, None
                yield Statement(own[0], "value", own[1], None, "total_cost", cost)
            if row.get("next_up"):
                yield Statement(own[0], "compared", None, None, None, (row["instrument"], row["next_up"]))
        for row in self.tables.get("rank_probabilities", []):
            if row["rank"] == "1":
                yield Statement("tables/rank_probabilities.tsv", "p_first", row["instrument"], None, row["priorities"],
                                exact(float(row["probability"])))  # fmt: skip
        for row in self.tables.get("tuning_advice", []):
            yield self._tuned("tables/tuning_advice.tsv", row["instrument"], row["state"], row["advice"])
            aim, offset = (exact(float(row[c])) if row[c] else None for c in ("aim_cents", "overall_offset_cents"))
            yield Statement("tables/tuning_advice.tsv", "tuning", row["instrument"], row["state"], "numbers",
                            Tuning("", row["tune_on_note"] or None, aim, offset))  # fmt: skip

    def _findings_table(self) -> Iterator[Statement]:
        owners = {(row["instrument"], row["state"]): {} for row in self.tables.get("instruments", [])}
        for row in self.tables.get("findings", []):
            if row["instrument"]:
                notes = WHOLE if row["kind"] in OF_WHOLE else span(f"{row['first_note']} to {row['last_note']}")
                told = re.search(rf"tolerance ({NUMBER})", row["explanation"])
                size = exact(float(row["size"])) if row["size"] else None
                confidence = float(row["confidence"]) if row["confidence"] else None
                limit = float(told[1]) if told else None
                found = Finding(row["kind"], size, row["unit"], limit, confidence, row.get("scope"))
                owners.setdefault((row["instrument"], row["state"]), {}).setdefault(notes, []).append(found)
                if off := _off(row["explanation"]):
                    yield Statement("tables/findings.tsv, explanation", "findings", row["instrument"], row["state"],
                                    None, {notes: [Finding(size=off, unit="cents", kind=row["kind"])]})  # fmt: skip
        for (name, state), found in owners.items():
            yield Statement("tables/findings.tsv", "findings", name, state, 0, found)

    def _vetting_table(self) -> Iterator[Statement]:
        for row in self.tables.get("vetting", []):
            yield from self._decided("tables/vetting.tsv", row["instrument"], row["state"], row["decision"],
                                     row["reasons"])  # fmt: skip

    def _decided(self, source, name, state, decision, reasons) -> Iterator[Statement]:
        """A decision with its reasons, which name all that was found."""
        yield Statement(source, "decision", name, state, None, decision)
        yield from self._said(source, name, state, reasons, 0)

    def _said(self, source, name, state, text: str, left_out: int | None) -> Iterator[Statement]:
        """What clauses say that speak against an instrument or leave something open."""
        if NOTHING.search(text):
            yield Statement(source, "nothing_found", name, state, None, NOTHING.search(text).group())
        clauses = text.split("; ")
        for clause in clauses:
            if clause.startswith("seen at inspection: "):
                item = re.sub(r" severity \d$", "", clause.partition(": ")[2].rstrip("."))
                yield Statement(source, "seen", name, state, item, True)
            if clause.startswith("must-pass failed: "):
                yield Statement(source, "must_pass", name, state, None, plain(clause.partition(": ")[2]))
        yield Statement(source, "findings", name, state, left_out, _clauses(clauses))

    def _ranking(self, source: str, rows: list[dict]) -> Iterator[Statement]:
        orders: dict[tuple, list[str]] = {}
        for row in rows:
            name, key = row["instrument"], row["priorities"]
            pool = key, self.sheet[name]["family"], str(row["group"])
            orders.setdefault(pool, []).append(name)
            yield Statement(source, "p_first", name, row["state"], key, exact(float(row["p_first"])))
            yield Statement(source, "rank", name, row["state"], key, (float(row["rank_low"]), float(row["rank_high"])))
            yield Statement(source, "must_pass", name, row["state"], None, plain(row["gate"]))
        for (key, *_), names in orders.items():
            yield Statement(source, "order", None, None, key, tuple(names))

    def _values(self, source: str, rows: list[dict]) -> Iterator[Statement]:
        for row in rows:
            if row["value"] not in ("", None):
                claim = tuple(exact(float(row[c])) if row[c] not in ("", None) else None
                              for c in ("value", "low", "high"))  # fmt: skip
                yield Statement(source, "value", row["instrument"], row["state"], row["criterion"], claim)

    def _pairs(self, source: str, rows: list[dict]) -> Iterator[Statement]:
        counts: dict[tuple, Counter] = {}
        for row in rows:
            a, b, criterion = key = row["instrument_a"], row["instrument_b"], row["criterion"]
            family = self.sheet[a]["family"]
            group = int(float(row["group"])) if row["group"] not in ("", None) else None
            for of in {group, None} if family == self.sheet[b]["family"] else ():
                counts.setdefault((criterion, family, of), Counter())[row["verdict"]] += 1
            yield Statement(source, "verdict", None, None, key, row["verdict"])
            takes = int(float(row["takes_needed"])) if row["takes_needed"] not in ("", None) else None
            yield Statement(source, "takes_needed", None, None, key, (takes, row["reason"] or ""))
        for key, verdicts in counts.items():
            yield Statement(source, "verdicts", None, None, key, verdicts)

    def _recordings(self) -> Iterator[Statement]:
        source, rows = "tables/recordings.tsv", self.tables.get("recordings", [])
        for row in rows:
            loud = LOUDNESS.index(row["dynamic"]), row["recording"]
            if row["status"] != "set_aside":
                subject = "quieter_room" if "quieter room" in row["reason"] else "quiet_enough"
                yield Statement(source, subject, row["instrument"], row["state"], loud, row["session"])
        owners: dict[tuple, list[bool]] = {}
        for row in rows:
            if row["status"] != "set_aside" and row["dynamic"] in SOFT:
                clipped = float(row["clipped_fraction"] or 0) > 0
                owners.setdefault((row["instrument"], row["state"]), []).append(clipped)
        for (name, state), clipped in owners.items():
            if all(clipped):
                yield Statement(source, "clipped", name, state, None, True)
        aside = sum(row["status"] == "set_aside" for row in rows)
        counts = {"instrument": len(self.sheet), "recording": len(rows), "set aside": aside}
        for what, number in counts.items():
            yield Statement(source, "count", None, None, what, number)

    def status(self, source: str, rows: list[dict]) -> Iterator[Statement]:
        """The table of statements, one row per instrument and state."""
        for row in rows:
            row = {column: "" if cell is None else cell for column, cell in row.items()}
            name, state = row["instrument"], row["state"]
            yield Statement(source, "decision", name, state, None, row["decision"])
            yield Statement(source, "must_pass", name, state, None, plain(row["must_pass"]))
            if row["current"] == "yes":
                yield Statement(source, "current", name, state, None, True)
            if row["total_cost"] != "":
                yield Statement(
                    source, "value", name, state, "total_cost", (exact(float(row["total_cost"])), None, None)
                )
            if row["p_first"] != "":
                yield Statement(source, "p_first", name, state, self.first_priorities, exact(float(row["p_first"])))
            yield from self._said(source, name, state, "; ".join(filter(None, (row["against"], row["open"]))), 0)
            if NOTHING.search(row["good"]):
                yield Statement(source, "nothing_found", name, state, None, NOTHING.search(row["good"]).group())
            yield from self._sentence(f"{source}, sentence", row["sentence"])

    def _sentence(self, source: str, text: str) -> Iterator[Statement]:
        """'Label (kind, state): decision; why. It costs … in all. Before, state: decision; why.'"""
        told = re.match(rf"({self.labels}) \(([^()]+), ([\w ]+)\): ", text)
        if not told:
            return
        name = self.named[told[1]]
        parts = re.split(r" Before, ([\w ]+): ", text[told.end() :])
        for state, part in zip([told[3], *parts[1::2]], parts[0::2], strict=True):
            there = state.replace(" ", "_")
            decision, _, why = part.partition("; ")
            yield Statement(source, "decision", name, there, None, decision)
            why, cost, _ = why.partition(" It costs ")
            why = why.rstrip(".")
            yield from self._said(source, name, there, why, None)
            yield from self._cost(source, name, rf"It costs ({NUMBER})", part) if cost else ()

    # --- the report -----------------------------------------------------------------------------------------------

    def report(self, page: Node) -> Iterator[Statement]:
        """What report.html says: answer, table, sections of the instruments, vetting, pairs."""
        for number, card in enumerate(page.all("article", class_="answer")):
            yield from self._card(f"report.html, answer {number + 1}", card)
        choices = page.first("script", id="choice-data")
        for key, pools in json.loads(choices.raw()).items() if choices else ():
            for _, *texts in (step for steps in pools for step in steps):
                yield from self._choice(f"report.html, choice of {key}", key, parse("".join(texts)))
        header = page.first("header")
        for what in ("instrument", "recording", "set aside"):
            if header and (told := re.search(rf"(\d+) {what}", header.text())):
                yield Statement("report.html, head", "count", None, None, what, int(told[1]))
        table = page.first("table", id="comparison")
        yield from self._comparison(table) if table else ()
        sections = list(page.all("article", class_="instrument"))
        folded = page.first("script", id="folded-data")
        for _, _, packed in json.loads(folded.raw()) if folded else ():
            sections += parse(zlib.decompress(base64.b64decode(packed)).decode("utf-8")).all("article")
        for section in sections:
            yield from self._section(section)
        vetting = page.first("section", aria_labelledby="vetting")
        for row in vetting.first("table").rows() if vetting else ():
            name, state = _linked(row["Instrument"]), row["State"].text().replace(" ", "_")
            decision = row["Decision"].text().partition(" ")[0]
            yield Statement("report.html, vetting", "decision", name, state, None, decision)
            # what the decision rests on alone: what is open beside it stands in the instrument's section
            yield from self._said("report.html, vetting", name, state, row["Why"].text(), None)
        pairs = page.first("script", id="pair-data")
        yield from self._pair_data(json.loads(pairs.raw())) if pairs else ()

    def _card(self, source: str, card: Node) -> Iterator[Statement]:
        title, text = card.first("h3").text(), card.text()
        key = next(self.priorities[words] for words in sorted(self.priorities, key=len, reverse=True)
                   if title.startswith(f"Priorities: {words}"))  # fmt: skip
        listed = []
        for item in card.all("li"):
            name = _linked(item)
            listed.append(name)
            if told := re.search(r"first with (.*?%)", item.text()):
                yield Statement(source, "p_first", name, None, key, share(told[1]))
            if told := re.search(r"rank (\d+)(?: to (\d+))?", item.text()):
                yield Statement(source, "rank", name, None, key, (float(told[1]), float(told[2] or told[1])))
        if len(listed) > 1:
            yield Statement(source, "order", None, None, key, tuple(listed))
        lead = card.first("p", class_="lead")
        if lead:
            first = self.named[lead.first("bdi").text()]
            yield Statement(source, "first", first, None, key, True)
            if told := re.search(r"(?:under |over )?\d+\s*%", lead.text()):
                yield Statement(source, "p_first", first, None, key, share(told[0]))
            if "tied" in lead.text():
                yield Statement(source, "tied", None, None, key, tuple(listed))
            if "stands alone" in text:
                yield Statement(source, "first", first, None, key, True)
        for paragraph in card.all("p"):
            names = [self.named[node.text()] for node in paragraph.all("bdi")]
            if paragraph.text().startswith("Failed a must-pass"):
                for name in names:
                    failed = re.search(rf"{re.escape(self.label[name])} \((.*?)\)", paragraph.text())
                    yield Statement(source, "must_pass", name, None, None, plain(failed[1]))
            if len(names) > 1 or (names and listed):
                yield Statement(source, "compared", None, None, key, tuple(dict.fromkeys([*listed, *names])))

    def _choice(self, source: str, key: str, page: Node) -> Iterator[Statement]:
        """What to buy: who is taken is accepted, costs and comes first as the tables say; so with whom it is set
        beside."""
        lead, text = page.first("p", class_="lead").text(), page.text()
        if told := re.search(rf"take ({self.labels})(?:, ({NUMBER}) \w+)?[.;]", lead):
            name = self.named[told[1]]
            yield Statement(source, "decision", name, None, None, "accept")
            if told[2]:
                yield Statement(source, "value", name, None, "total_cost", (printed(told[2]), None, None))
            if chance := re.search(r"with a probability of ((?:\w+ )?\d+\s%)", text):
                yield Statement(source, "p_first", name, None, key, share(chance[1]))
            for other in page.all("a"):
                yield Statement(
                    source, "compared", None, None, key, (name, other.attributes["href"].removeprefix("#i-"))
                )
        for other in re.finditer(rf"({self.labels}) \(((?:\w+ )?\d+\s%)\)", text):
            yield Statement(source, "p_first", self.named[other[1]], None, key, share(other[2]))

    def _comparison(self, table: Node) -> Iterator[Statement]:
        source, names = {plain(criterion): criterion for criterion in self.criteria}, []
        for row in table.rows():
            name = _linked(row["Instrument"])
            names.append(name)
            gate = row["Must-passes"].text()
            if "Decision" in row and row["Decision"].text():
                yield Statement("report.html, table", "decision", name, None, None, row["Decision"].text())
            if gate:
                yield Statement("report.html, table", "must_pass", name, None, None, plain(gate))
            for title, cell in row.items():
                value = cell.first("span", class_="value")
                if title in source and value:
                    interval = cell.first("span", class_="interval")
                    ends = interval.text().split(" to ") if interval else []
                    claim = (printed(value.text()), *map(printed, ends), *[None] * (2 - len(ends)))
                    yield Statement("report.html, table", "value", name, None, source[title], claim)
        yield Statement("report.html, table", "order", None, None, "all", tuple(names))

    def _section(self, section: Node) -> Iterator[Statement]:
        name = section.attributes["aria-labelledby"].removeprefix("i-")
        source, state = f"report.html, section {name}", self.current.get(name)
        for paragraph in section.all("p"):
            text = paragraph.text()
            if text.startswith("Rank"):
                yield from self._ranks(source, name, text)
            if text.startswith("Tuning. "):
                yield self._tuned(source, name, state, text.removeprefix("Tuning. "))
            if NONE_FOUND.fullmatch(text) or NOTHING.search(text):
                yield Statement(source, "nothing_found", name, state, None, text)
            if text.startswith("Price"):
                yield from self._cost(source, name, rf"found by inspection ({NUMBER})", text)
                yield Statement(source, "compared", None, None, None, (name, _linked(paragraph) or name))
            if told := re.match(rf"({'|'.join(DECISIONS)}) \(([\w ]+)\)\. Must-passes: (.*)\.$", text, re.I):
                there = told[2].replace(" ", "_")
                yield Statement(source, "decision", name, there, None, told[1].lower())
                yield Statement(source, "must_pass", name, there, None, plain(told[3]))
            if told := re.match(rf"Before \(([\w ]+)\): ({'|'.join(DECISIONS)})(?:; )?(.*)\.$", text):
                there = told[1].replace(" ", "_")
                yield Statement(source, "decision", name, there, None, told[2])
                yield from self._said(source, name, there, told[3], None)
        if listed := section.first("dl", class_="status"):
            texts = {head.text(): text.text() for head, text in zip(listed.all("dt"), listed.all("dd"), strict=True)}
            said = "; ".join(texts[head] for head in ("Against it", "Open") if head in texts)
            yield from self._said(f"{source}, status", name, state, said, 0)
        found: dict[str, dict] = {state: {}}
        for item in _below(section, "Findings"):
            text = item.text()
            said = re.search(r"\(state ([\w ]+?)\)", text)
            there = said[1].replace(" ", "_") if said else state
            head, _, rest = text.partition(". ")
            notes, sized = span(head) or WHOLE, SIZE.search(head)
            if WHOLE_WORDS.search(text):
                notes = WHOLE
            one = Finding(size=printed(sized[1]) if sized else _off(rest), unit=_unit(sized))
            found.setdefault(there, {}).setdefault(notes, []).append(one)
        for there, those in found.items():
            yield Statement(source, "findings", name, there, 0, those)

    def _ranks(self, source: str, name: str, text: str) -> Iterator[Statement]:
        for words, key in self.priorities.items():
            told = re.search(rf"\b{words} (\d+)(?: to (\d+))?(?: of \d+)? \(first with (.*?%)\)", text)
            if told:
                yield Statement(source, "rank", name, None, key, (float(told[1]), float(told[2] or told[1])))
                yield Statement(source, "p_first", name, None, key, share(told[3]))

    def _cost(self, source: str, name: str, pattern: str, text: str) -> Iterator[Statement]:
        if told := re.search(pattern, text):
            yield Statement(source, "value", name, None, "total_cost", (printed(told[1]), None, None))

    def _tuned(self, source: str, name: str, state: str | None, text: str) -> Statement:
        aim = re.search(rf"Tune (\S+) (?:(true)|({NUMBER}) cents? (sharp|flat))", text)
        off = re.search(rf"(in tune) as a whole|({NUMBER}) cents? (sharp|flat)(?: as a whole|,)", text)
        advised = Tuning(
            text,
            aim and aim[1],
            aim and _signed(*aim.groups()[1:]),
            off and _signed(*off.groups()),
        )
        return Statement(source, "tuning", name, state, "advice", advised)

    def _pair_data(self, data: dict) -> Iterator[Statement]:
        source, criteria = "report.html, pairs", {plain(criterion): criterion for criterion in self.criteria}
        for a, b, c, verdict, *_, takes, reason, _better in data["rows"]:
            key = (*(self.named[" ".join(data["instruments"][i].split())] for i in (a, b)),
                   criteria[plain(data["criteria"][c][0])])  # fmt: skip
            yield Statement(source, "verdict", None, None, key, data["verdicts"][verdict].replace(" ", "_"))
            remark = "" if reason < 0 else data["reasons"][reason]
            yield Statement(source, "takes_needed", None, None, key, (takes, remark))

    # --- the others -----------------------------------------------------------------------------------------------

    def workbook(self) -> Iterator[Statement]:
        """What comparison.xlsx says."""
        book = openpyxl.load_workbook(self.results / "comparison.xlsx", read_only=True)
        for page in book:
            head, *rows = page.iter_rows(values_only=True)
            rows = [dict(zip(head, row, strict=False)) for row in rows if any(row[1:])]
            source = f"comparison.xlsx, {page.title}"
            if page.title == "criteria":
                yield from self._values(source, rows)
            elif page.title == "pairs":
                yield from self._pairs(source, rows)
            elif page.title == "ranking":
                yield from self._ranking(source, rows)
            elif page.title == "summary":
                yield from self._summary(source, rows)
            elif page.title == "status":
                yield from self.status(source, rows)

    def _summary(self, source: str, rows: list[dict]) -> Iterator[Statement]:
        for row in rows:
            if row.get("decision"):
                yield Statement(source, "decision", row["instrument"], row["state"], None, row["decision"])
            if row["must-passes"]:
                gate = plain(row["must-passes"])
                yield Statement(source, "must_pass", row["instrument"], row["state"], None, gate)
            for criterion, unit in self.criteria.items():
                cells = [row.get(f"{criterion}{end} ({unit})") for end in ("", " low", " high")]
                if cells[0] is not None:
                    claim = tuple(None if cell is None else exact(cell) for cell in cells)
                    yield Statement(source, "value", row["instrument"], row["state"], criterion, claim)
        yield Statement(source, "order", None, None, "all", tuple(row["instrument"] for row in rows))

    def quotes(self, text: str) -> Iterator[Statement]:
        """What publication/quotes.txt says."""
        source = "publication/quotes.txt"
        for paragraph in text.strip().split("\n\n"):
            if paragraph.startswith("With the priorities of a"):
                yield from self._quoted_answer(source, paragraph)
            elif " pairs " in paragraph and ": from " in paragraph:
                yield from self._quoted_criterion(source, paragraph)
            else:
                yield from self._sentence(source, paragraph)

    def _quoted_answer(self, source: str, paragraph: str) -> Iterator[Statement]:
        words = next(words for words in sorted(self.priorities, key=len, reverse=True)
                     if paragraph.startswith(f"With the priorities of a {words}"))  # fmt: skip
        key, names = self.priorities[words], []
        likeliest = (
            rf"({self.labels}) \([^()]+\) is the likeliest first of \d+, with a probability of ((?:\w+ )?\d+\s%)"
        )
        if told := re.search(likeliest, paragraph):
            yield Statement(source, "first", self.named[told[1]], None, key, True)
            yield Statement(source, "p_first", self.named[told[1]], None, key, share(told[2]))
        for other in re.finditer(rf"({self.labels}) \(((?:\w+ )?\d+\s%)\)", paragraph):
            names.append(self.named[other[1]])
            yield Statement(source, "p_first", names[-1], None, key, share(other[2]))
        if names:
            yield Statement(source, "order", None, None, key, tuple(names))
            yield Statement(source, "compared", None, None, key, (self.named[told[1]], *names))

    def _quoted_criterion(self, source: str, paragraph: str) -> Iterator[Statement]:
        title = re.match(r"(.*?)(?: \(([^()]*?)(?:, group (\d+))?\))?: from ", paragraph)
        criterion = {plain(c): c for c in self.criteria}[title[1].lower()]
        end = (rf"({NUMBER}) \S+(?:, 90 % interval ({NUMBER}) to ({NUMBER})|, without an interval)?"
               rf" \(({self.labels})(?:, [^()]*)?\)")  # fmt: skip
        ends = [told.groups() for told in re.finditer(end, paragraph)]
        for *numbers, label in ends:
            claim = tuple(None if number is None else printed(number) for number in numbers)
            yield Statement(source, "value", self.named[label], None, criterion, claim)
        yield Statement(source, "compared", None, None, criterion, tuple(self.named[one[-1]] for one in ends))
        words = {"differ": "differs", "show no audible difference": "no_audible_difference",
                 "are undecided": "undecided", "cannot be compared": "not_comparable"}  # fmt: skip
        counts = Counter({verdict: int(told[1]) for text, verdict in words.items()
                          if (told := re.search(rf"(\d+) {text}", paragraph))})  # fmt: skip
        of = criterion, self.sheet[self.named[ends[0][-1]]]["family"], title[3] and int(title[3])
        yield Statement(source, "verdicts", None, None, of, counts)

    def publication_sheet(self, path: Path) -> Iterator[Statement]:
        """What the page of one instrument says, as far as its cells are not cut."""
        text, name = _pdf(path), path.stem
        source = f"publication/sheets/{path.name}"
        yield from self._ranks(source, name, text)
        table = text.partition("criterion value 90 % interval")[2].partition("cents from its own median")[0]
        for criterion, unit in self.criteria.items():
            told = re.search(rf"{plain(criterion)} ({NUMBER}) {re.escape(unit)}(?: ({NUMBER}) to ({NUMBER}))?", table)
            if told:
                claim = tuple(None if number is None else printed(number) for number in told.groups())
                yield Statement(source, "value", name, None, criterion, claim)
        yield from self._cost(source, name, rf"({NUMBER}) in all \(", text)
        if told := re.search(r"Tuning\. (.*?\.) (?:[A-Z][\w ,-]+:|Not shown|For this player)", text):
            yield self._tuned(source, name, self.current.get(name), told[1])
        left = re.search(r"want of space: (\d+)", text)
        parts = re.split(r"(?:Now|Before), ([\w ]+): (\w+)\.", text.partition("For this player, mouthpiece")[0])
        for state, decision, part in zip(parts[1::3], parts[2::3], parts[3::3], strict=True):
            there = state.replace(" ", "_")
            yield Statement(source, "decision", name, there, None, decision)
            if told := re.search(r"Must-passes: (.*?)\.(?: |$)", part):
                yield Statement(source, "must_pass", name, there, None, plain(told[1]))
            end = r"\.(?= (?:Good|Open|Must-passes|Against it|Not shown|[A-Z][\w ]+, probability|[A-Z][a-z ]+\. )|$| $)"
            said = [told[1] for told in re.finditer(rf"(?:Against it|Open): (.*?){end}", part)]
            yield from self._said(source, name, there, "; ".join(said), int(left[1]) if left else 0)

    def ticket(self, name: str, source: str, text: str) -> Iterator[Statement]:
        """What a bench ticket says: that the instrument is for the bench, and why."""
        state = re.search(r"state: ([\w ]+), takes", text)[1].replace(" ", "_")
        yield Statement(source, "decision", name, state, None, "bench")
        body = text.partition("What was found")[2].partition(" Before and after")[0]
        found: dict = {}
        for told in NUMBERED.finditer(body):
            notes = WHOLE if WHOLE_WORDS.search(told[1]) else span(told[2])
            one = Finding(size=told[5] and printed(told[5]), unit=UNITS.get(told[6], told[6]))
            found.setdefault(notes, []).append(one)
        more = re.search(r"(\d+) more in findings", text)
        yield Statement(source, "findings", name, state, int(more[1]) if more else 0, found)
        for told in re.finditer(r"seen at inspection: (.+?)(?= severity \d|;| seen at| Notes)", body):
            yield Statement(source, "seen", name, state, told[1], True)
        if told := re.search(
            rf"Now, ([\w ]+): ({'|'.join(DECISIONS)}); (.*?)\. (?:What Change|Listen|Technician)", text
        ):
            there = told[1].replace(" ", "_")
            yield Statement(source, "decision", name, there, None, told[2])
            yield from self._said(source, name, there, told[3], None)

    def paper(self) -> Iterator[Statement]:
        """What the exports and the methods text for a paper say."""
        folder = self.results / "publication/paper"
        if (folder / "instruments.csv").exists():
            with (folder / "instruments.csv").open(encoding="utf-8", newline="") as file:
                yield from self._values("publication/paper/instruments.csv", list(csv.DictReader(file)))
        if (folder / "methods.md").exists():
            text = (folder / "methods.md").read_text("utf-8")
            source = "publication/paper/methods.md"
            all_, used = re.search(r"Of (\d+) recordings, (\d+) could", text).groups()
            counts = {"instrument": re.search(r"(\d+) instruments?", text)[1], "recording": all_}
            for what, number in (counts | {"set aside": int(all_) - int(used)}).items():
                yield Statement(source, "count", None, None, what, int(number))

    @staticmethod
    def _rows(path: Path) -> list[dict[str, str]]:
        if not path.exists():
            return []
        with path.open(encoding="utf-8-sig", newline="") as file:
            return list(csv.DictReader(file, delimiter="\t"))


def _clauses(clauses: Iterable[str]) -> dict:
    """The findings that short clauses name, by their notes."""
    found: dict = {}
    for clause in clauses:
        if NOT_A_FINDING.search(clause):
            continue
        notes, sized = WHOLE if WHOLE_WORDS.search(clause) else span(clause), SIZE.search(clause)
        if notes:
            one = Finding(size=printed(sized[1]) if sized else None, unit=_unit(sized))
            found.setdefault(notes, []).append(one)
    return found


def _unit(sized: re.Match | None) -> str | None:
    return sized and UNITS.get(sized[2], sized[2])


def _off(text: str) -> Range | None:
    """How far off notes are by a sentence, sharp and wide positive."""
    told = OFF.search(text)
    return told and _signed(None, told[1], told[2])


def _signed(true: str | None, number: str | None, side: str | None) -> Range:
    if true:
        return -0.5, 0.5
    low, high = printed(number)
    return (low, high) if side in ("sharp", "wide") else (-high, -low)


def _linked(node: Node) -> str | None:
    """The instrument that an element links to."""
    links = (link.attributes.get("href", "") for link in node.all("a"))
    return next((link.removeprefix("#i-") for link in links if link.startswith("#i-")), None)


def _below(section: Node, heading: str) -> list[Node]:
    """Items of the list that follows a heading."""
    nodes = [child for child in section.children if isinstance(child, Node)]
    for place, node in enumerate(nodes):
        if node.tag == "h4" and node.text() == heading:
            after = nodes[place + 1]
            return list(after.all("li")) if after.tag in ("ul", "ol") else []
    return []


def _pdf(path: Path) -> str:
    pages = pypdf.PdfReader(path).pages
    return " ".join(" ".join(page.extract_text() for page in pages).split())
