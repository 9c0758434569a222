"""Vetting: accept, send to the bench, return or record again, each with its reasons.

    return   a must-pass of the config fails that no bench mends: the whole instrument does not reach pitch, or a fault
             seen at inspection is worse than allowed
    bench    a finding as sure as the tolerances ask, or a fault seen at inspection
    retake   the recordings cannot decide: nothing usable, too many notes missing, nothing to compare with, no soft
             take, or a sign that a second take must confirm (a single note in one take, the whole scale dull)
    accept   none of these

A decision rests on what was recorded; it is a pointer for whoever decides, and for a qualified technician.
"""

from collections.abc import Mapping

import pandas as pd
from scipy import stats

from evenbore.compare.gates import gate_texts
from evenbore.facts.columns import names
from evenbore.findings.diagnose import SOFT
from evenbore.findings.rows import MIN_PEERS
from evenbore.trade.pitch import note_to_midi

BY_TONE = ("stuffy_run", "vent_fault", "regulation_step", "stuffy_note", "all_dull")
LEAST_FOUND = 0.9  # of the expected notes
SURE_OF_PITCH = 0.9  # that a note really is beyond the tolerance
# ASSUME: scatter of a note's pitch in one take, where nothing in the study was repeated (common practice: 2 to 5 cents)
NOTE_CENTS_SD = 4.0
FINAL_GATES = ("tuning_offset_min", "fault_severity_max")  # must-passes that a bench does not mend
WORDS = {
    "stuffy_run": "a run of stuffy notes",
    "vent_fault": "notes of one vent dull together",
    "regulation_step": "a sharp step as of a key out of regulation",
    "stuffy_note": "a stuffy note",
    "all_dull": "dull throughout",
    "intonation_outlier": "out of tune",
    "register_shift": "a register out of tune",
    "odd_one_out": "unlike the others of its model",
}
NOTE_COLUMNS = ["recording", "instrument", "state", "session", "dynamic", "group", "midi", "written_note", "onset_s",
                "cents"]  # fmt: skip
"""What vetting uses of the notes, tolerances included."""
UNITS = {"cents": "cents", "dB": "dB around 2 kHz", "z": "times the usual scatter"}


def vet(
    findings: pd.DataFrame, recordings: pd.DataFrame, notes: pd.DataFrame, values: pd.DataFrame,
    instruments: Mapping[str, dict], inspection, config: Mapping, tolerances: Mapping[str, dict],
) -> pd.DataFrame:  # fmt: skip
    """The table `vetting`: one row for every instrument in every state it was recorded in.

    `notes`: notes after set-up normalisation; `values`: table `instruments`; `tolerances`: instrument -> tolerances,
    with `confidence`.
    """
    scales = recordings[recordings["notes_expected"].notna() | (recordings["status"] == "set_aside")]
    final = {key: limit for key, limit in config["gates"].items() if key in FINAL_GATES}
    order, rows = {state: n for n, state in enumerate(config["states"])}, []
    softly = notes[notes["dynamic"].isin(SOFT)].groupby("group")["instrument"].agg(set).to_dict()
    takes_of, notes_of, found_of, values_of = (
        dict(list(table.groupby("instrument"))) for table in (scales, notes, findings, values)
    )
    for name in instruments:
        own, seen = takes_of.get(name, scales[:0]), [one for one in inspection if one["instrument"] == name]
        faults, heard = [one for one in seen if one["result"] == "fault"], notes_of.get(name, notes[:0])
        for state in sorted(own["state"].unique(), key=order.get):
            takes, found, measured = (
                table[table["state"] == state]
                for table in (own, found_of.get(name, findings[:0]), values_of.get(name, values[:0]))
            )
            failed = _failed(measured, seen, final)
            unable = _unable(takes, heard, softly, name, instruments)
            rows.append(_decided(name, state, takes, found, failed, faults, unable, heard, tolerances[name]))
    table = pd.DataFrame(rows, columns=names("vetting"))
    return table.assign(shipment=table["instrument"].map(lambda name: instruments[name].get("shipment")))


def _failed(values: pd.DataFrame, inspection, gates: Mapping) -> list[str]:
    texts, failed = gate_texts(values, inspection, gates) if len(values) else ({}, set())
    return [texts[name].split("; ")[0] for name in failed]


def _unable(takes: pd.DataFrame, notes: pd.DataFrame, softly: Mapping[int, set], name: str, instruments) -> list[str]:
    """Why the recordings cannot tell whether the tone is sound; empty when they can.

    `notes`: of this instrument; `softly`: group -> all instruments with soft notes in it.
    """
    used = takes[takes["status"] != "set_aside"]
    if used.empty:
        return [f"no recording can be used: {'; '.join(takes['reason'].dropna().unique())}"]
    why = []
    share = (used["notes_found"] / used["notes_expected"]).max()
    if share < LEAST_FOUND:
        why.append(f"only {share:.0%} of the notes were found: {'; '.join(used['reason'].dropna().unique())}")
    if not used["dynamic"].isin(SOFT).any():
        why.append("no take softer than forte, in which stuffy notes would show")
    soft = notes[notes["dynamic"].isin(SOFT)]
    group = soft.loc[soft["recording"].isin(used["recording"]), "group"].unique()
    others = set().union(*(softly.get(one, ()) for one in group)) - {name}
    alike = sum(instruments[other]["family"] == instruments[name]["family"] for other in others)
    if alike < MIN_PEERS:
        why.append(
            f"{MIN_PEERS} other instruments of its kind in linked sessions are needed to judge the tone, not {alike}"
        )
    return why


def _decided(name, state, takes, found, failed, seen, unable, notes, tolerance) -> dict:
    used = takes[takes["status"] != "set_aside"]
    single = len(used) == 1
    bench, again = [], []
    for row in found.to_dict("records"):
        text = _finding(row)
        if single and row["kind"] in ("stuffy_note", "odd_one_out"):
            again.append(f"{text}; one take only, a second must confirm it")
        elif row["kind"] in ("all_dull", "odd_one_out"):
            again.append(f"{text}; try another reed or set-up before the bench")
        elif _sure(row, tolerance):
            bench.append(text)
    bench += [f"seen at inspection: {one['item']}" for one in seen]
    reasons = [f"must-pass failed: {text}" for text in failed]
    if failed:
        decision = "return"
    elif bench:
        decision, reasons = "bench", bench + again
    elif unable or again:
        decision, reasons = "retake", unable + again
    else:
        decision = "accept"
        reasons = ["nothing found beyond the tolerances"]
    if decision in ("accept", "bench") and single:
        reasons.append("one take only: a small fault can go unheard, and a note played badly pass for one")
    return {
        "instrument": name,
        "state": state,
        "decision": decision,
        "reasons": "; ".join(reasons),
        "n_takes": len(used),
        "listen": _listen(used, found, notes),
    }


def _sure(row: Mapping, tolerance: Mapping) -> bool:
    """Whether a finding is sure enough for the bench."""
    if row["kind"] in BY_TONE:
        return row["confidence"] >= tolerance["confidence"]
    if pd.notna(row["confidence"]):
        return row["confidence"] >= SURE_OF_PITCH
    beyond = (abs(row["size"]) - tolerance["note_cents"]) / NOTE_CENTS_SD
    return beyond * row["n_notes"] ** 0.5 >= stats.norm.ppf(SURE_OF_PITCH)


def finding_words(row: Mapping) -> tuple[str, str, str]:
    """What was found and where; its size; its confidence, never told as certain. Empty where not known."""
    first, last = row["first_note"], row["last_note"]
    where = first if first == last else f"{first} to {last}"
    size = f"{row['size']:+.1f} {UNITS[row['unit']]}" if pd.notna(row["size"]) else ""
    sure = f"{min(row['confidence'], 0.99):.2f}" if pd.notna(row["confidence"]) else ""
    return f"{WORDS[row['kind']]}: {where}", size, sure


def _finding(row: Mapping) -> str:
    """A finding in one line."""
    what, size, sure = finding_words(row)
    region = f", look {row['region']}" if pd.notna(row["region"]) else ""
    return what + (size and f" ({size})") + (sure and f", confidence {sure}") + region


def _listen(used: pd.DataFrame, found: pd.DataFrame, notes: pd.DataFrame) -> str | None:
    """Where the first note of each finding sounds: recording and time."""
    own, out = notes[notes["recording"].isin(used["recording"])], []
    soft = own[own["dynamic"].isin(SOFT)]
    for row in found.to_dict("records"):
        here = (soft if len(soft) else own)["written_note"].map(note_to_midi) == note_to_midi(row["first_note"])
        sounding = (soft if len(soft) else own)[here]
        if len(sounding):
            first = sounding.iloc[0]
            out.append(f"{row['first_note']} in {first['recording']} at {first['onset_s']:.1f} s")
    return "; ".join(dict.fromkeys(out)) or None
