"""Small studies with settings, columns and cells drawn at random from all that config/README.md allows, odd ones too.

All are to be accepted.
"""

import csv
import io

import numpy as np
import yaml

from evenbore.study.config import default_config
from faults.sheet_corpus import BRACES, FORMULA, HTML, SHELL, Case
from faults.sheet_run import LOST

RANDOM = "drawn at random"
DRAWN_EVERY = 50  # studies: of the others no pictures and pages are made
REORDERED_EVERY = 10  # are run once more, their rows the other way round
FAMILIES = ("saxophone_alto", "clarinet_b_flat", "flute", "oboe", "trumpet_b_flat", "own")
TEXTS = ("", "brass", "rosé", HTML, SHELL, BRACES, FORMULA.replace(chr(34), ""), "=1+1", "שלום", "🎷", "a; b",
         '"old" one', "nan", "NA", "None", "0", "1e5", "-", "x" * 150)  # fmt: skip
NUMBERS = ("0", "1", "0,5", "900", "1.234,50", "1e3", "")
DYNAMICS = ("pp", "p", "mp", "f", "ff")  # beside mf, which is the blank one
STATES = ("as_found", "after_setup", "repadded", "nan", "True")


def study_case(seed: int) -> Case:
    """One study of up to four instruments in up to three sessions; the same seed gives the same."""
    rng = np.random.default_rng(seed)

    def pick(values):
        return values[int(rng.integers(len(values)))]

    def chance(probability: float) -> bool:
        return bool(rng.random() < probability)

    names = [pick(("a", "Nan", "null", "x1_")) + str(k) for k in range(int(rng.integers(1, 5)))]
    states = [str(state) for state in rng.permutation(STATES)[: rng.integers(1, 4)]]
    family = pick(FAMILIES)
    columns = [name for name in ("maker", "model", "serial", "grade", "shipment", "body_material", "comment", "x_lot",
                                 "x_weight") if chance(0.5)]  # fmt: skip
    costs = [name for name in ("price", "price_rate", "setup_cost", "case_cost") if chance(0.5)]
    instruments = []
    for number, name in enumerate(names):
        row = {"instrument": name, "label": pick(TEXTS[1:]), "family": family}
        row |= {column: pick(TEXTS) for column in columns} | {column: pick(NUMBERS) for column in costs}
        row |= {"grade": pick(("", "student"))} if "grade" in columns else {}
        row |= {"bore_mm": pick(("", "15", "15,5")), "reference": pick(("yes", "no", ""))} if chance(0.5) else {}
        row |= {"x_weight": str(2 + number / 7)} if "x_weight" in columns else {}
        row |= {"price_rate": pick(("", "0.92", "1,1"))} if "price_rate" in costs else {}
        instruments.append(row)
    sessions = [
        {"session": f"s{k}", "date": pick(("", "2024-05-03", "3.5.2024", "2031-12-31")), "room": pick(TEXTS),
         "distance_m": pick(("", "1,5")), "tuning_hz": pick(("", "442", "380"))}
        for k in range(int(rng.integers(1, 4)))
    ]  # fmt: skip
    said = {column: value for column, value in (("player", pick(TEXTS)), ("direction", "down"), ("low", "D4"),
                                                ("articulation", "tongued")) if value and chance(0.3)}  # fmt: skip
    recordings = _recordings(rng, pick, chance, names, [row["session"] for row in sessions], states)
    sheets = {"recordings": recordings, "instruments": instruments, "sessions": sessions}
    if chance(0.5):
        sheets["inspection"] = [
            {"instrument": pick(names), "state": pick(("", *states)), "item": f"{item} {pick(TEXTS)}"[:200],
             "result": pick(("ok", "attention", "fault")), "severity": pick(("", "1", "2", "3")), "cost": pick(NUMBERS)}
            for item in ("pads", "body", "tenons")[: rng.integers(1, 4)]
        ]  # fmt: skip
    if chance(0.5):
        sheets["impressions"] = [
            {"instrument": pick(names), "player": pick(TEXTS), "where": pick(("", "whole", "F4")),
             "aspect": pick(("tone", "response", "smell", HTML[:60])), "score": pick(("1", "2,5", "5"))}
        ]  # fmt: skip
    files = {f"config/{kind}.tsv": _text(rows, pick(("\t", ",", ";"))) for kind, rows in sheets.items()}
    files["config/families/own.yaml"] = b"like: saxophone_alto\nname: own alto\n"
    config = _config(pick, chance, states, family, columns, said)
    shipments = {row.get("shipment", "") for row in instruments if chance(0.3)}
    config["vetting"] = {"accepted_shipments": sorted(shipments - {""})}
    files["config/config.yaml"] = yaml.safe_dump(config, allow_unicode=True, sort_keys=False).encode()
    return Case(f"random_{seed}", RANDOM, files, "", drawn=seed % DRAWN_EVERY == 0,
                reordered=seed % REORDERED_EVERY == 5)  # fmt: skip


def _recordings(rng, pick, chance, names, sessions, states) -> list[dict[str, str]]:
    """Takes of every instrument in some of the sessions; ids that begin with LOST are set aside."""
    soft = [dynamic for dynamic in DYNAMICS if chance(0.2)]
    rows = []
    for session in sessions:
        for name in names:
            if chance(0.2) and rows:
                continue
            state = pick(states)
            for dynamic in ["", *soft]:
                for take in range(1, int(rng.integers(1, 3)) + 1):
                    lost = LOST * chance(0.08)
                    row = {"recording": f"{lost}{session}_{name}_{dynamic or 'blank'}_{take}", "instrument": name}
                    row |= {"session": session, "take": str(take), "dynamic": dynamic, "state": state}
                    row |= {"articulation": pick(("", "slurred", "tongued")), "direction": pick(("", "up", "down"))}
                    row |= {"pattern": pick(("", "", "", "major", "passage", "notes"))} if chance(0.2) else {}
                    row |= {"passage": pick(("", "tune", HTML))} if row.get("pattern") == "passage" else {}
                    row |= {"notes": "D4 E4 F4 D5"} if row.get("pattern") == "notes" else {}
                    row |= {"player": pick(TEXTS), "x_day": pick(TEXTS)} if chance(0.1) else {}
                    row |= {"file": f"audio/{row['recording']}.wav"}
                    rows.append(row)
    return [rows[k] for k in rng.permutation(len(rows))]


def _config(pick, chance, states, family, columns, said) -> dict:
    config = yaml.safe_load(yaml.safe_dump(default_config()))  # a copy of its own
    config |= {"title": pick(TEXTS[1:]), "currency": pick(("EUR", "£", "{0}")), "states": states, "draws": 100}
    config |= {"compare_state": pick(("latest", *states)), "base_dynamic": pick(("mf", "mf", "mf", *DYNAMICS))}
    config |= {"on_bad_recording": pick(("set_aside", "stop")), "seed": pick((0, 1, 4294967295))}
    factors = [column for column in ("maker", "body_material", "x_lot", "x_weight") if column in columns]
    config |= {"factors": pick(("auto", [], factors)), "recording_defaults": said}
    if said and chance(0.5):
        config["recording_defaults"] = {"families": {family: said}}
    for key in list(config["just_noticeable"]):
        if chance(0.2):
            config["just_noticeable"][key] = pick((None, 0.001, 60))
    config["own_days"] = {"whole": pick((0.3, 0.001, 5)), "between_notes": pick((0.3, 0.001, 5))}
    config["tolerances"]["student"] = {"note_cents": pick((0.1, 25, 200)), "families": {family: {"stuffy_z": 4}}}
    config["tolerances"]["default"] |= {"confidence": pick((0, 0.5, 1)), "stuffy_z": pick((0.1, 3.5, 100))}
    for name, weights in config["priorities"].items():
        config["priorities"][name] = {key: pick((value, 0.5, 1e6)) for key, value in weights.items() if chance(0.8)}
        config["priorities"][name] |= pick(({"total_cost": 20}, {"brightness": -5}, {"tone_hold": 1}))
    for key in config["gates"]:
        if chance(0.3):
            config["gates"][key] = None
    config["report"] = {"max_instruments_in_figures": pick((2, 40, 200)), "sound_mb": pick((0, 12))}
    return config | {"x_own": pick(({"a": [1, None]}, "text", 3))}


def _text(rows: list[dict[str, str]], separator: str) -> bytes:
    out = io.StringIO()
    columns = list(dict.fromkeys(key for row in rows for key in row))
    writer = csv.DictWriter(out, columns, restval="", delimiter=separator, lineterminator="\n")
    writer.writeheader()
    writer.writerows(rows)
    return out.getvalue().encode()
