"""Vetting: accept, send to the bench, return or record again, each with its reasons.

    return   a must-pass of the config fails that no bench mends: the whole instrument does not reach pitch, or a fault
             seen at inspection is worse than allowed
    bench    another must-pass fails, a finding is as sure as the tolerances ask, or a fault was seen at inspection
    retake   the recordings cannot decide: nothing usable, too many notes missing, nothing to compare with, no soft
             take or clipped ones only, or a finding past its tolerance that is not sure, that one of several takes
             shows, that is of a note or two in a single take, or that rests on notes which may have been left out; each
             says what would tell
    accept   none of these: nothing past the tolerances was found

What most units of a model share (scope `design`) decides nothing. A decision rests on what was recorded; it is a
pointer for whoever decides, and for a qualified technician.
"""

import math
from collections.abc import Collection, Hashable, Mapping
from dataclasses import dataclass
from typing import Any, cast

import pandas as pd
from scipy import special

from evenbore.compare.gates import Gate, check_gates, seen_by
from evenbore.compare.pairs import MOST_TAKES
from evenbore.facts.columns import names
from evenbore.facts.criteria import GATES
from evenbore.facts.findings import FINDINGS
from evenbore.facts.rows import Row
from evenbore.findings.recurrence import seen_once, untold_by_one
from evenbore.findings.rows import MIN_PEERS, SOFT_DYNAMICS
from evenbore.judge.assess import PASSAGES
from evenbore.trade.pitch import note_to_midi

# ASSUME: own choice, no source.
LEAST_FOUND = 0.9  # of the expected notes
SURE_OF_PITCH = 0.9  # that a note really is beyond the tolerance
# ASSUME: scatter of a note's pitch in one take, where nothing in the study was repeated (common practice: 2 to 5 cents)
NOTE_CENTS_SD = 4.0
NOTHING = "nothing past the tolerances was found"
NOTE_COLUMNS = ["recording", "instrument", "state", "session", "dynamic", "articulation", "direction", "group", "midi",
                "written_note", "onset_s", "cents"]  # fmt: skip
"""What vetting uses of the notes, tolerances included."""
UNITS = {"cents": "cents", "dB": "dB", "z": "times the usual scatter"}


@dataclass(frozen=True)
class Decision:
    """What is decided of one instrument in one state.

    `against`: what speaks against it, surely; `unsure`: what the recordings leave open, each with what would tell;
    `caution`: how far to trust it; `gate`: its must-passes; `takes` used; `listen`: where what was found sounds.
    """

    instrument: str
    state: str
    decision: str
    against: tuple[str, ...]
    unsure: tuple[str, ...]
    caution: tuple[str, ...]
    gate: Gate
    takes: int
    listen: str | None


def decisions(
    findings: pd.DataFrame, recordings: pd.DataFrame, notes: pd.DataFrame, values: pd.DataFrame,
    instruments: Mapping[str, Row], inspection: Collection[Row], config: Mapping[str, Any],
    tolerances: Mapping[str, Mapping[str, float]],
) -> list[Decision]:  # fmt: skip
    """The decision on every instrument of the sheet in every state it was recorded in (in the first, if in none).

    `notes`: notes after set-up normalisation; `values`: table `instruments`; `tolerances`: instrument -> tolerances,
    with `confidence`.
    """
    scales = recordings[recordings["notes_expected"].notna() | (recordings["status"] == "set_aside")]
    recorded = set(recordings["instrument"])
    decided: list[Decision] = []
    softly = notes[notes["dynamic"].isin(SOFT_DYNAMICS)].groupby("group")["instrument"].agg(set).to_dict()
    tables = {"takes": scales, "notes": notes, "findings": findings[findings["scope"] == "unit"], "values": values}
    by_name = {key: dict(list(table.groupby("instrument"))) for key, table in tables.items()}
    for name in instruments:
        theirs = {key: by_name[key].get(name, table[:0]) for key, table in tables.items()}
        for state in sorted(theirs["takes"]["state"].unique(), key=config["states"].index) or config["states"][:1]:
            of_state = {key: table[table["state"] == state] for key, table in theirs.items() if key != "notes"}
            seen = seen_by(inspection, {name: state}, config["states"])
            gate = check_gates(of_state["values"], seen, config["gates"], [name])[name]
            faults = [row["item"] for row in seen if row["result"] == "fault" and row["state"] == state]
            unable = _unable(of_state["takes"], theirs["notes"], softly, name, instruments, recorded)
            used = of_state["takes"].query("status != 'set_aside'")
            decided.append(
                _decided(
                    name, state, used, theirs["notes"], of_state["findings"], gate, faults, unable, tolerances[name],
                    config["base_dynamic"],
                )
            )  # fmt: skip
    return decided


def vetting_table(decided: list[Decision], instruments: Mapping[str, Row]) -> pd.DataFrame:
    """The table `vetting`, one row for each decision."""
    rows = [
        {
            "instrument": one.instrument,
            "state": one.state,
            "decision": one.decision,
            "reasons": "; ".join((*one.against, *one.unsure, *one.caution)) or NOTHING,
            "n_takes": one.takes,
            "listen": one.listen,
            "shipment": instruments[one.instrument].get("shipment"),
        }
        for one in decided
    ]
    return pd.DataFrame(rows, columns=names("vetting"))


def _unable(
    takes: pd.DataFrame, notes: pd.DataFrame, softly: Mapping[Hashable, set[str]], name: str,
    instruments: Mapping[str, Row], recorded: Collection[str],
) -> list[str]:  # fmt: skip
    """Why the recordings cannot tell whether the tone is sound; empty when they can.

    `takes`: of scales; `notes`: of this instrument; `softly`: group -> all instruments with soft notes in it;
    `recorded`: instruments of which anything was recorded.
    """
    if takes.empty:
        return [PASSAGES if name in recorded else "it was not recorded"]
    used = takes[takes["status"] != "set_aside"]
    if used.empty:
        return [f"no recording can be used ({', '.join(takes['reason'].dropna().unique())}): record it again"]
    why = []
    share = (used["notes_found"] / used["notes_expected"]).max()
    if share < LEAST_FOUND:
        told = ", ".join(used["reason"].dropna().unique())
        why.append(f"only {share:.0%} of the notes were found: record the whole scale again" + (told and f" ({told})"))
    heard = used[used["dynamic"].isin(SOFT_DYNAMICS)]
    if heard.empty:
        why.append("no take softer than forte, in which stuffy notes would show: record one at p or mf")
    elif (heard["clipped_fraction"] > 0).all():
        why.append("all takes that the tone can be judged by are clipped: turn the gain down and record it again")
    soft = notes[notes["dynamic"].isin(SOFT_DYNAMICS)]
    group = soft.loc[soft["recording"].isin(used["recording"]), "group"].unique()
    others = set().union(*(softly.get(one, ()) for one in group)) - {name}
    alike = sum(instruments[other]["family"] == instruments[name]["family"] for other in others)
    if alike < MIN_PEERS:
        why.append(
            f"{MIN_PEERS} other instruments of its kind in linked sessions are needed to judge the tone, not {alike}:"
            f" record {MIN_PEERS - alike} more"
        )
    return why


def _decided(
    name: str, state: str, used: pd.DataFrame, notes: pd.DataFrame, findings: pd.DataFrame, gate: Gate,
    faults: list[str], unable: list[str], tolerance: Mapping[str, float], base: str,
) -> Decision:  # fmt: skip
    failed = {key: f"must-pass failed: {text}" for key, text in gate.failed.items()}
    against, unsure = list(failed.values()), list(unable)
    for row in cast(list[Row], findings.to_dict("records")):
        kind = FINDINGS[row["kind"]]
        recurs = not (seen_once(row) or untold_by_one(row))
        if kind.blocks == "bench" and recurs and _sure(row, tolerance):
            against.append(finding_line(row))
        else:
            unsure.append(
                f"{finding_line(row)}: {_what_would_tell(row, len(used), (used['dynamic'] == base).sum(), base)}"
            )
    against += [f"seen at inspection: {item}" for item in faults]
    if any(GATES[key].final for key in failed):
        decision = "return"
    elif against:
        decision = "bench"
    else:
        decision = "retake" if unsure else "accept"
    single = decision in ("accept", "bench") and len(used) == 1
    caution = ("one take only: a small fault can go unheard, and a note played badly pass for one",) * single
    return Decision(
        name, state, decision, tuple(against), tuple(unsure), caution, gate, len(used), _listen(used, findings, notes)
    )  # fmt: skip


def _sure(row: Row, tolerance: Mapping[str, float]) -> bool:
    """Whether a finding is sure enough for the bench."""
    if FINDINGS[row["kind"]].by == "tone":
        return bool(row["confidence"] >= tolerance["confidence"])
    if pd.notna(row["confidence"]):
        return bool(row["confidence"] >= SURE_OF_PITCH)
    beyond = (abs(row["size"]) - tolerance["note_cents"]) / NOTE_CENTS_SD
    return bool(beyond * row["n_notes"] ** 0.5 >= special.ndtri(SURE_OF_PITCH))


def _what_would_tell(row: Row, takes: int, at_base: int, base: str) -> str:
    """Which recording would decide a finding that is not sure; `at_base` of the `takes` are of the `base` dynamic."""
    kind = FINDINGS[row["kind"]]
    if kind.instead:
        return kind.instead
    if pd.notna(row["if_tried"]):
        return "if they were tried, enter a fault in the inspection sheet, if they were left out, record them"
    if seen_once(row):
        return f"seen in one of {row['n_takes']} takes, record it again"
    if takes == 1:
        return "one take only, a second must confirm it"
    if untold_by_one(row):
        return "only one of its takes tells, a second must confirm it"
    if kind.by == "tone":
        return "past the tolerance but not surely, record it again softly, twice"
    if pd.isna(row["confidence"]):
        return "past the tolerance, how surely is not known, record a second take"
    # the excess stays while its standard error falls with the root of the takes
    now, wanted = special.ndtri(row["confidence"]), special.ndtri(SURE_OF_PITCH)
    enough = math.ceil(at_base * (wanted / now) ** 2) if now > 0 else math.inf
    if enough > MOST_TAKES:
        return "at the tolerance itself, where more takes cannot tell, play it and judge"
    return f"past the tolerance but not surely, {enough} takes at {base} in all would tell"


def finding_words(row: Row) -> tuple[str, str, str]:
    """What was found and where; its size; its confidence, never told as certain. Empty where not known."""
    first, last = row["first_note"], row["last_note"]
    where = first if first == last else f"{first} to {last}"
    if pd.notna(row["if_tried"]):
        where += f", if {row['if_tried']} did not speak (no take has them)"
    kind, unit, size = FINDINGS[row["kind"]], row["unit"], ""
    if unit == "%":
        size = f"in {row['size']:.0f} % of its takes"
    elif pd.notna(row["size"]):
        size = f"{row['size']:+.1f} {UNITS[unit]}" + (f" {kind.of}" if unit == "dB" else "")
    elif row["kind"] == "note_far_off":
        size = "not found"
    sure: str = f"{min(row['confidence'], 0.99):.2f}" if pd.notna(row["confidence"]) else ""
    return f"{kind.words}: {where}", size, sure


def finding_line(row: Row) -> str:
    """A finding in one line."""
    what, size, sure = finding_words(row)
    region: str = f", look {row['region']}" if pd.notna(row["region"]) else ""
    return what + (size and f" ({size})") + (sure and f", confidence {sure}") + region.replace(";", ",")


def _listen(used: pd.DataFrame, findings: pd.DataFrame, notes: pd.DataFrame) -> str | None:
    """Where the first note of each finding sounds: recording and time."""
    heard = notes[notes["recording"].isin(used["recording"])]
    soft, out = heard[heard["dynamic"].isin(SOFT_DYNAMICS)], []
    if len(soft):
        heard = soft
    for row in findings.to_dict("records"):
        sounding = heard[heard["written_note"].map(note_to_midi) == note_to_midi(row["first_note"])]
        if len(sounding):
            first = sounding.iloc[0]
            out.append(f"{row['first_note']} in {first['recording']} at {first['onset_s']:.1f} s")
    return "; ".join(dict.fromkeys(out)) or None
