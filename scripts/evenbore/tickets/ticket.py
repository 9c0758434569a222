"""Bench tickets: what a technician is asked to look at on one instrument, on one page.

`tickets` gathers the content, `page` and `pdf` write it out.
The page fits A4 and Letter alike. It points; it does not diagnose.
"""

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any, cast

import pandas as pd

from evenbore.facts.findings import FINDINGS
from evenbore.facts.rows import Row
from evenbore.facts.words import plain
from evenbore.findings.vet import NOTHING, finding_words
from evenbore.findings.words import POINTER, span
from evenbore.report.drawing import Mark, Shape, findings_strip, tube
from evenbore.report.story import Change, greatest_changes
from evenbore.study.sheets import Study
from evenbore.trade.pitch import note_to_midi

MOST_FINDINGS = 6
MOST_CHANGES = 6


@dataclass(frozen=True)
class Ticket:
    """Content of one page. `file`: its name without ending. `findings`: rows of plain text; `words`: the player's
    own."""

    file: str
    title: str
    subtitle: str
    reasons: str
    findings: list[tuple[str, str, str, str]]
    more: int
    words: list[str]
    changes: list[Change]
    before_after: str
    strip: list[Shape]
    tube: list[Shape]
    listen: str
    pointer: str


def tickets(
    study: Study, findings: pd.DataFrame, status: pd.DataFrame, vetting: pd.DataFrame, changes: pd.DataFrame
) -> list[Ticket]:
    """A ticket for every instrument that goes to the bench, or went there in an earlier state: then as history."""
    made, heard = [], vetting.set_index(["instrument", "state"])
    instruments: Iterable[tuple[Any, pd.DataFrame]] = status.groupby("instrument", sort=False)
    for name, rows in instruments:
        sent = rows[rows["decision"] == "bench"]
        if len(sent):
            row, now = sent.iloc[-1], rows[rows["current"] == "yes"].iloc[-1]
            own = findings[(findings["instrument"] == name) & (findings["scope"] == "unit")]
            told, left = (own[own["state"] == one["state"]] for one in (row, now))
            listen = cast(pd.Series, heard.loc[(name, row["state"])])
            made.append(_ticket(study, name, row, now, listen, told, left, changes[changes["instrument"] == name]))
    return made


def _ticket(
    study: Study, name: str, row: pd.Series, now: pd.Series, heard: pd.Series, findings: pd.DataFrame,
    left: pd.DataFrame, changes: pd.DataFrame,
) -> Ticket:  # fmt: skip
    sheet = study.instruments[name]
    family = study.families[sheet["family"]]
    findings = findings.sort_values("confidence", ascending=False, na_position="last")
    told = cast(list[Row], findings.head(MOST_FINDINGS).to_dict("records"))
    regions = [
        Mark(note_to_midi(one["region_low_note"]), note_to_midi(one["region_high_note"]), n)
        for n, one in enumerate(told, 1)
        if pd.notna(one["region"])
    ]
    vents = [
        Mark(note_to_midi(one["first_note"]), note_to_midi(one["last_note"]), n)
        for n, one in enumerate(told, 1)
        if one["kind"] == "vent_fault"
    ]
    parts = [
        family.name,
        *(f"{key} {sheet[key]}" for key in ("maker", "model", "serial", "shipment") if sheet.get(key)),
    ]
    return Ticket(
        file=name,
        title=f"{sheet['label']} ({name})",
        subtitle=", ".join([*parts, f"state: {plain(row['state'])}", f"takes: {heard['n_takes']}"]),
        reasons=row["against"],
        findings=[_line(n, one) for n, one in enumerate(told, 1)]
        + [
            ("", f"seen at inspection: {one['item']}", f"severity {one['severity']}" if one["severity"] else "", "")
            for one in study.inspection
            if (one["instrument"], one["state"], one["result"]) == (name, row["state"], "fault")
        ],
        more=max(0, len(findings) - MOST_FINDINGS),
        changes=greatest_changes(changes, MOST_CHANGES),
        before_after=" ".join([_states(changes, row, now), *_gains(told, left, changes, now)]),
        strip=findings_strip(family, told),
        tube=tube(family, regions, vents),
        words=[_said(one) for one in study.impressions if one["instrument"] == name],
        listen=heard["listen"] if isinstance(heard["listen"], str) else "",
        pointer=POINTER,
    )


def _line(number: int, row: Row) -> tuple[str, str, str, str]:
    what, size, sure = finding_words(row)
    return str(number), what + (f"; look {row['region']}" if pd.notna(row["region"]) else ""), size, sure or "not known"


def _said(row: Row) -> str:
    """What the player wrote of it, with the score."""
    text = f"{row['where']}, {row['aspect']}: {row['score']:g} of 5"
    return f"{text}. {row['comment']}" if row["comment"] else text


def _states(changes: pd.DataFrame, sent: pd.Series, now: pd.Series) -> str:
    if sent["state"] == now["state"] and changes.empty:
        return "Record again after the work, with the same reed, room and microphone."
    told = ""
    if len(changes):
        last = changes.iloc[-1]
        count = int((changes["verdict"] == "differs").sum())
        told = (
            f"From {plain(last['state_from'])} to {plain(last['state_to'])}: {count} of {len(changes)} comparisons"
            " differ. "
        )
    if sent["state"] == now["state"]:
        return told.strip()
    told += f"What was found {plain(sent['state'])} is history. Now, {plain(now['state'])}: {now['decision']}"
    why = now[["against", "open"]].replace("", None).dropna().tolist() if now["decision"] != "accept" else [NOTHING]
    return "; ".join([told, *why[:1]]) + "."


def _gains(told: list[Row], left: pd.DataFrame, changes: pd.DataFrame, now: pd.Series) -> list[str]:
    """For each pattern of an earlier state, what its notes gained since, and what of it the others still tell apart."""
    out: list[str] = []
    bright = changes[(changes["criterion"] == "brightness_db") & (changes["state_to"] == now["state"])]
    written = bright["note"].map(note_to_midi)
    for one in told:
        low, high = note_to_midi(one["first_note"]), note_to_midi(one["last_note"])
        inside = bright[written.between(low, high)]
        if pd.isna(one["by_note"]) or inside.empty:
            continue
        still = [
            finding_words(row)[0]
            for row in cast(list[Row], left.to_dict("records"))
            if FINDINGS[row["kind"]].by == "tone"
            and note_to_midi(row["first_note"]) <= high
            and low <= note_to_midi(row["last_note"])
        ]
        differ, rest = int((inside["verdict"] == "differs").sum()), "; ".join(still) or "nothing"
        out.append(
            f"{span(low, high)}: {inside['change'].mean():+.1f} dB of treble from the instrument's own middle (mean"
            f" of {len(inside)} notes, {differ} of which differ), {rest} left against the others."
        )
    return out
