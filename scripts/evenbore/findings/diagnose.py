"""Findings: what on each instrument a technician might look at, with what was measured and what else explains it.

Few data give few findings: dullness needs at least three other instruments of the same family in the same
comparability group and takes softer than forte (a leak hardly shows in loud ones); a place on the instrument needs the
family's list of holes; intonation needs the instrument alone.
"""

from collections.abc import Collection, Mapping
from typing import Any, TypeAlias

import numpy as np
import pandas as pd
from scipy import special

from evenbore.compare.multiplicity import adjusted
from evenbore.facts.arrays import Bools, Floats, Ints
from evenbore.facts.columns import names
from evenbore.facts.criteria import CRITERIA
from evenbore.facts.findings import FINDINGS
from evenbore.facts.rows import Row
from evenbore.findings import words
from evenbore.findings.bench import learned
from evenbore.findings.bynote import fitted_pattern, to_text
from evenbore.findings.cracking import cracking
from evenbore.findings.dullness import Dullness, dullness
from evenbore.findings.intonation import note_deviations, out_of_tune
from evenbore.findings.noise import hidden_share, noisy
from evenbore.findings.odd import FEATURES, features, odd_ones
from evenbore.findings.patterns import (
    RUNNING,
    PatternFit,
    View,
    Whole,
    correlation,
    fit_patterns,
    log_ratios,
    region,
    size_priors,
)
from evenbore.findings.recurrence import FEW_NOTES, recurrence, seen_once, without_farthest
from evenbore.findings.references import deviations
from evenbore.findings.rows import MIN_PEERS, SOFT_DYNAMICS, TOLD, Rows, collect_rows, excess, members, row_median
from evenbore.findings.silence import silence_support, unheard
from evenbore.findings.templates import NEGLIGIBLE, Template, learned_templates, templates
from evenbore.findings.tolerances import learned_cents, tolerance
from evenbore.judge.faroff import FarOff
from evenbore.study.sheets import same_model
from evenbore.trade.families import Family
from evenbore.trade.pitch import midi_to_note, note_to_midi

# ASSUME: set by trial and judgement on the development studies that docs/findings.md tells of; no source.
SURE = 0.75  # probability from which a cause is told, and a leak given a place; healthy instruments hardly reach it
REGION_SHARE = 0.90
WIDEN = 1  # holes on either side, for what the templates cannot know; one more where it is told by missing notes
MOST_HOLES = 7
FALSE_SHARE = 0.02  # of single notes (Benjamini & Hochberg 1995)
IF_TRIED = 0.99  # probability from which a cause is told that rests on missing notes having been tried
REST_Z, NO_DOUBT = 2.0, 0.9  # ASSUME: of what an instrument dull throughout may have beside; own choice, no source
FALSE_DULL = 0.05  # chance of any instrument called dull throughout
# Pitch and noise support a pattern but never make one: at most this log Bayes factor from both.
MOST_SUPPORT = float(np.log(100.0))

_Tolerances: TypeAlias = Mapping[str, Mapping[str, float]]  # instrument -> name -> value
_Place: TypeAlias = tuple[str, int | None, int | None]  # in words; its lowest and highest note


def diagnose(
    notes: pd.DataFrame, instruments: dict[str, Row], families: dict[str, Family], config: dict[str, Any],
    far: Collection[FarOff] = (), expected: Mapping[str, Ints] | None = None,
) -> pd.DataFrame:  # fmt: skip
    """The findings table.

    `notes`: notes after set-up normalisation; `config` needs base_dynamic and tolerances (grade -> note_cents in
    cents, stuffy_z in standard deviations); `far`: notes far from their place; `expected`: recording -> the written
    notes that the sheet asks for, all where it says nothing.
    """
    family_key = notes["instrument"].map(lambda name: instruments[name]["family"])
    findings: list[Row] = []
    for key, of_family in notes.groupby(family_key, sort=False):
        family = families[key]
        tolerances = tolerances_of(of_family, family, instruments, config)
        for _, of_group in of_family[of_family["dynamic"].isin(SOFT_DYNAMICS)].groupby("group", sort=False):
            findings += _dull(of_group, family, tolerances, expected)
        at_base = of_family[of_family["dynamic"] == config["base_dynamic"]]
        findings += _intonation(at_base, family, tolerances, instruments, far) + _odd(at_base, instruments)
        findings += _cracking(of_family, family) + _noisy(at_base, family, config)
    for one in far:
        unit, place = "" if np.isnan(one.cents) else "cents", (one.written, one.written, 1)
        text = words.explain_far_off(one)
        row = _row((one.instrument, one.state), "note_far_off", *place, one.cents, unit, one.confidence, text)
        scope = "design" if one.shared else "unit"
        findings.append(row | {"n_seen": one.takes, "n_takes": one.of, "scope": scope})
    for row in filter(seen_once, findings):
        row["confidence"] = np.nan  # of a slip or a fault, nobody knows which
        row["explanation"] += " " + words.only_once(row["n_takes"])
    _share_by_design(findings, set(notes["instrument"]), instruments)
    order = {name: number for number, name in enumerate(instruments)}
    findings.sort(key=lambda row: (order.get(row["instrument"], -1), row["state"] or ""))
    return pd.DataFrame(findings, columns=names("findings"))


def study_tolerances(
    notes: pd.DataFrame, instruments: dict[str, Row], families: dict[str, Family], config: dict[str, Any]
) -> dict[str, dict[str, float]]:
    """Instrument -> tolerances, for every instrument of the sheet; see `tolerances_of`."""
    family_key = notes["instrument"].map(lambda name: instruments[name]["family"])
    tolerances = {name: tolerance(config, sheet) for name, sheet in instruments.items()}
    for key, of_family in notes.groupby(family_key, sort=False):
        tolerances |= tolerances_of(of_family, families[key], instruments, config)
    return tolerances


def tolerances_of(
    notes: pd.DataFrame, family: Family, instruments: dict[str, Row], config: dict[str, Any]
) -> dict[str, dict[str, float]]:
    """Instrument -> tolerances of a family's instruments, that of notes learned where accepted shipments tell it."""
    tolerances = {name: tolerance(config, instruments[name]) for name in notes["instrument"].unique()}
    accepted = {
        name
        for name in tolerances
        if instruments[name].get("shipment") in config.get("vetting", {}).get("accepted_shipments", ())
    }
    known = notes[notes["instrument"].isin(accepted) & (notes["dynamic"] == config["base_dynamic"])]
    if known.empty:
        return tolerances
    away, _, _ = note_deviations(known, _written(known, family))
    learned = learned_cents(away.abs().max(axis=1).groupby(level="instrument").min().to_numpy())
    if learned is None:
        return tolerances
    return {name: of_grade | {"note_cents": learned} for name, of_grade in tolerances.items()}


def _written(notes: pd.DataFrame, family: Family) -> Ints:
    return np.asarray(family.to_written(notes["midi"].to_numpy(int)))


def _row(
    owner: tuple[str | None, str], kind: str, first: int, last: int, n: int, size: float, unit: str, confidence: float,
    explanation: str, place: _Place = ("", None, None),
) -> Row:  # fmt: skip
    low, high = (None if note is None else midi_to_note(note) for note in place[1:])
    return {
        "instrument": owner[0],
        "state": owner[1],
        "kind": kind,
        "first_note": midi_to_note(int(first)),
        "last_note": midi_to_note(int(last)),
        "n_notes": int(n),
        "size": float(size),
        "unit": unit or None,
        "confidence": float(confidence),
        "region": place[0] or None,
        "region_low_note": low,
        "region_high_note": high,
        "explanation": explanation,
        "n_seen": None,
        "n_takes": None,
        "scope": "unit",
        "by_note": None,
        "if_tried": None,
    }


def _share_by_design(findings: list[Row], heard: set[str], instruments: dict[str, Row]) -> None:
    """Mark, in place, findings by tone or takes that most other units of the model (of those `heard`) have on the same
    notes."""
    shared = [row for row in findings if row["instrument"] and FINDINGS[row["kind"]].by in ("tone", "takes")]
    for row in shared:
        units = same_model(row["instrument"], instruments) & heard
        first, last = (note_to_midi(row[key]) for key in ("first_note", "last_note"))
        alike = {
            other["instrument"]
            for other in shared
            if other["kind"] == row["kind"]
            and note_to_midi(other["first_note"]) <= last
            and note_to_midi(other["last_note"]) >= first
        }
        if len(units) >= MIN_PEERS and 2 * len(alike & units) > len(units):
            row["scope"] = "design"
            row["explanation"] += (
                f" {len(alike & units)} of the {len(units)} other units of its model share it: a trait of the design,"
                " held against none."
            )


def _dull(
    notes: pd.DataFrame, family: Family, tolerances: _Tolerances, expected: Mapping[str, Ints] | None
) -> list[Row]:
    """Findings of one family and comparability group by dullness."""
    rows = collect_rows(notes, _written(notes, family), expected)
    dull = dullness(rows)
    if dull is None:
        return []
    known = learned(family, rows.written, rows.dynamics)
    scores = [dull, dullness(rows, known.loss_db) or dull] if known else [dull]  # as many instruments in both
    pitch, noise = (
        deviations(rows.keys, part - row_median(part)) for part in (rows.value["cents"], rows.value["noise"])
    )
    per_cent, views = 1 / pd.DataFrame(pitch.unit).median().to_numpy(), []
    for one in scores:
        taught = learned_templates(family, rows.written, known, one.per_db, per_cent) if known else []
        views.append((one, templates(family, rows.written, taught)))
    alternatives = [template for _, of_view in views for template in of_view]
    support = _support(pitch.z, noise.z, rows, alternatives) + silence_support(rows, dull.owners, alternatives)
    whole = [Whole(one.shift_z, one.shift_sd, _freedom(one)) for one in scores]
    seen = [
        View(one.z, correlation(one.z, rows.written), of_view, of_whole)
        for (one, of_view), of_whole in zip(views, whole, strict=True)
    ]
    findings, clear = [], np.full((2, *dull.z.shape), np.nan)
    for i, (owner, left_out, tried) in enumerate(zip(dull.owners, *fit_patterns(seen, support), strict=True)):
        told = np.zeros(len(rows.written), bool)
        is_dull = dull.shift_z[i] > tolerances[owner[0]]["stuffy_z"] and _chance(dull, i) <= FALSE_DULL
        if left_out is not None and tried is not None and (pattern := _pattern(left_out, tried)) is not None:
            kind, template, confidence, if_tried = pattern
            row = _pattern_row(kind, template, confidence, if_tried, tried, owner, rows, dull, family)
            if if_tried:  # a question, beside whatever else is found
                findings.append(row)
            else:
                told = template.shape > 0
                # where the rest is dull too, only a leak beyond doubt is more than that
                rest = row_median(np.where(template.shape == 0, dull.z[[i]], np.nan))[0]
                away, scale = whole[0].away(i, rest, 0.0)
                is_dull &= float(away[0] / scale) > REST_Z and left_out.posterior.get("leak", 0.0) < NO_DOUBT
                if not is_dull:
                    best = next(one for one, of_view in views if any(template is each for each in of_view))
                    effects = _by_take(best, rows, owner, _inside(template), template.shape == 0)
                    shown = _expected(template, alternatives, rows, owner)
                    seen_by = max((recurrence(effects / one) for one in shown), key=lambda one: one["n_seen"])
                    findings.append(row | seen_by)
        if is_dull:
            findings.append(_all_dull_row(owner, i, rows, dull))
        if np.isfinite(dull.z[i][~told]).any():
            away = dull.z[i] - np.nanmedian(dull.z[i][~told])
            steady = np.fmin(away, without_farthest(_against_rest(dull, rows, owner, ~told)))
            clear[:, i, ~told] = np.array([away, steady])[:, ~told] / dull.unsteady[i]
    return findings + _single_notes(clear, rows, dull, family, tolerances) + _session_rows(dull, rows, tolerances)


def _support(pitch_z: Floats, noise_z: Floats, rows: Rows, alternatives: list[Template]) -> Floats:
    """Log Bayes factors (I, T) that pitch (I, N), positive = sharper, and noise (I, N), positive = noisier, add, in
    standard deviations: for vents upper notes flat, or lower ones sharp, and noisier;
    for leaks and reeds what the bench says of pitch."""
    out = np.zeros((len(pitch_z), len(alternatives)))
    vents = {i: template for i, template in enumerate(alternatives) if template.kind == "vent"}
    bent = {i: template.pitch for i, template in enumerate(alternatives) if template.pitch is not None}
    lower = {i: template for i, template in vents.items() if template.place == "lower register"}
    upper = {i: template for i, template in vents.items() if i not in lower}
    for z, chosen in ((-pitch_z, upper), (pitch_z, lower | bent), (noise_z, upper | lower)):
        if chosen:
            shapes = list(chosen.values())
            ratios = np.exp(np.minimum(log_ratios(View(z, correlation(z, rows.written), shapes)), 600))
            out[:, list(chosen)] += np.log(0.5 + 0.5 * (ratios * size_priors(shapes)).sum(axis=2))
    return np.minimum(out, MOST_SUPPORT)


def _pattern(left_out: PatternFit, tried: PatternFit) -> tuple[str, Template, float, bool] | None:
    """Kind, template and probability of the pattern to tell of, and whether it rests on notes that no take has; or
    None. It is told if these, taken for left out, do not matter; or if as good as sure once they were tried."""
    found, heard = _likeliest(tried), _likeliest(left_out)
    if found is None or (heard is None and found[2] < IF_TRIED):
        return None
    kind, template, confidence = found
    return (kind, template, confidence, True) if heard is None else (kind, template, min(confidence, heard[2]), False)


def _likeliest(fitted: PatternFit) -> tuple[str, Template, float] | None:
    """Kind, template and probability of the pattern that is told by one reading, or None."""
    if fitted.posterior["nothing"] > 1 - SURE:
        return None
    p = {kind: fitted.posterior.get(kind, 0.0) for kind in ("leak", "step", "run", "vent", "fingering")}
    for kind, name in (("vent", "vent_fault"), ("step", "regulation_step"), ("fingering", "regulation_step")):
        if p[kind] >= SURE:
            return name, fitted.best[kind], p[kind]
    together = p["leak"] + p["step"] + p["run"]
    if together < SURE:
        return None
    kind = max(("leak", "step", "run"), key=p.__getitem__)
    return "stuffy_run", fitted.best[kind], p["leak"] if p["leak"] >= SURE else together


def _pattern_row(
    kind: str, template: Template, confidence: float, if_tried: bool, fitted: PatternFit, owner: tuple[str, str],
    rows: Rows, dull: Dullness, family: Family,
) -> Row:  # fmt: skip
    contrasts = _contrasts(rows, owner, _inside(template), template.shape == 0)
    base, told = _basis(rows, owner, dull), words.measured(contrasts)
    missing = words.by_dynamic({name: rows.written[told & lacking] for name, told, lacking, _ in unheard(rows, owner)})
    if not if_tried:
        told += words.missing(missing)
    start, end = _extent(template, fitted.affected)
    first, last = rows.written[start], rows.written[end]
    where = words.span(int(first), int(last))
    n = end - start + 1
    place: _Place = ("", None, None)
    if template.kind == "leak":
        sure = fitted.posterior["leak"] >= SURE
        holes = region(fitted.holes, REGION_SHARE, WIDEN + if_tried, MOST_HOLES) if sure else None
        if holes is not None:
            place = (words.hole_region(family, *holes), *holes)
        told = f"{where} sound stuffy, more so towards the low end, with their partners in the upper register. {told}"
        other = words.LEAK_ELSE if holes else words.RUN_ELSE
        if holes:
            other = f"The pattern over both registers fits a leaking pad; look {place[0]}. {other}"
    elif kind == "vent_fault":
        told = f"{where} are dull as a group ({template.place}). {told}"
        other = words.LOWER_ELSE if template.place == "lower register" else words.VENT_ELSE
    elif template.kind == "fingering":
        n = 2
        told = f"The fingering of {midi_to_note(int(first))} and {midi_to_note(int(last))} is dull in both. {told}"
        other = words.FINGERING_ELSE
    elif kind == "regulation_step":
        told = f"{where} and their partners above are duller by one sharp step. {told}"
        other = f"{words.STEP_ELSE} The probability of a leak's pattern is {fitted.posterior.get('leak', 0.0):.2f}."
    else:
        told, other = f"{where} sound stuffy as a run. {told}", words.RUN_ELSE
    text = f"{told} {base} {other} {words.POINTER}"
    if if_tried:
        text = f"{words.if_tried(missing)} {text}"
    row = _row(owner, kind, first, last, n, contrasts[TOLD], "dB", confidence, text, place)
    if if_tried:  # nobody knows, nor how large it is
        row |= {"confidence": np.nan, "size": np.nan, "if_tried": missing}
    away = excess(rows, owner, TOLD)
    rest = row_median(np.where(template.shape == 0, away, np.nan)[None])[0]
    return row | {"by_note": to_text(fitted_pattern(rows.written, away - rest, template.shape))}


def _inside(template: Template) -> Bools:
    """The notes (N,) that a pattern is told of."""
    inside: Bools = template.shape > 0.25 * template.shape.max()
    return inside


def _by_take(dull: Dullness, rows: Rows, owner: tuple[str, str], inside: Bools, outside: Bools) -> Floats:
    """How dull single takes (T,) of an owner are on the notes inside, against the rest of their scale, NaN where they
    do not tell."""
    return pd.DataFrame(_against_rest(dull, rows, owner, outside)[:, inside]).mean(axis=1).to_numpy()


def _against_rest(dull: Dullness, rows: Rows, owner: tuple[str, str], rest: Bools) -> Floats:
    """How dull single takes (T, N) of an owner are against the notes `rest` (N,) of each."""
    z = dull.take_z[members(rows.keys, [owner])[0][rows.take_row]]
    return z - row_median(np.where(rest, z, np.nan))


def _expected(template: Template, alternatives: list[Template], rows: Rows, owner: tuple[str, str]) -> Floats:
    """How much of a pattern single takes (T,) of an owner show, as much as each other or as the bench says of each size
    of leak at that place, (S, T): soft ones several times as much."""
    mine = rows.take_row[members(rows.keys, [owner])[0][rows.take_row]]
    at = [rows.dynamics.index(dynamic) for dynamic in rows.keys["dynamic"].iloc[mine]]
    shown = [np.ones(len(rows.dynamics))]
    for one in alternatives:
        if one.effect is not None and template.kind == one.kind == "leak" and one.place == template.place:
            shown.append(one.effect[:, _inside(template)].mean(axis=1))
    return np.array([each[at] for each in shown if (each > NEGLIGIBLE).all()])


def _extent(template: Template, affected: Floats) -> tuple[int, int]:
    """First and last index of the notes of a pattern that are more likely than not much affected."""
    if template.kind not in RUNNING:
        return template.first, template.last
    inside = affected[template.first : template.last + 1]
    start = end = template.first + int(np.argmax(inside))
    while start > template.first and affected[start - 1] >= 0.5:
        start -= 1
    while end < template.last and affected[end + 1] >= 0.5:
        end += 1
    return start, end


def _all_dull_row(owner: tuple[str, str], i: int, rows: Rows, dull: Dullness) -> Row:
    everywhere = np.ones(len(rows.written), bool)
    contrasts = _contrasts(rows, owner, everywhere, ~everywhere)
    confidence = 1 - _chance(dull, i)
    text = (
        f"The whole scale is duller: harmonics around 2 kHz {contrasts[TOLD]:+.1f} dB, level {contrasts['level']:+.1f}"
        f" dB against the others. {_basis(rows, owner, dull)} {words.ALL_ELSE} {words.POINTER}"
    )
    first, last = rows.written[[0, -1]]
    n = len(rows.written)
    return _row(owner, "all_dull", first, last, n, contrasts[TOLD], "dB", confidence, text)


def _chance(dull: Dullness, i: int) -> float:
    """Probability that any of the instruments lies as far on the dull side by chance."""
    return min(1.0, len(dull.owners) * float(special.stdtr(_freedom(dull), -dull.shift_z[i])))


def _freedom(dull: Dullness) -> float:
    """Degrees of freedom of `shift_z`: a median absolute deviation has 37 % of the efficiency of a standard
    deviation (normal noise)."""
    return 0.37 * dull.peers


def _contrasts(rows: Rows, owner: tuple[str, str], inside: Bools, outside: Bools) -> dict[str, float]:
    """Mean difference to the others on the notes inside minus that outside, by measure; NaN where not measured."""
    out = {}
    for name in (TOLD, "level", "noise", "attack", "cents"):
        away = excess(rows, owner, name)
        here, there = away[inside & np.isfinite(away)], away[outside & np.isfinite(away)]
        out[name] = float(here.mean()) if here.size >= 3 else np.nan
        if there.size >= 3:
            out[name] -= float(np.median(there))
    return out


def _basis(rows: Rows, owner: tuple[str, str], dull: Dullness) -> str:
    owner_keys = rows.keys[(rows.keys["instrument"] == owner[0]) & (rows.keys["state"] == owner[1])]
    return words.compared(
        dull.peers, int(owner_keys["takes"].sum()), sorted(set(owner_keys["dynamic"]), key=SOFT_DYNAMICS.index)
    )


def _single_notes(clear: Floats, rows: Rows, dull: Dullness, family: Family, tolerances: _Tolerances) -> list[Row]:
    """Single stuffy notes outside of patterns, the share of false ones controlled over the whole group.

    `clear` (2, I, N): how dull notes are against the rest, in standard deviations; and without the farthest take.
    """
    known = np.isfinite(clear[0])
    if not known.any():
        return []
    # twice the number of other instruments: scatter is pooled over notes, but few instruments tell little of its tails
    p = np.full(clear.shape, np.nan)
    p[:, known] = [adjusted(special.stdtr(2 * dull.peers, -one[known])) for one in clear]
    limit = np.array([[tolerances[owner[0]]["stuffy_z"]] for owner in dull.owners])
    told, steady = (p <= FALSE_SHARE) & (clear > limit)
    findings = []
    for i, n in zip(*np.nonzero(told), strict=True):
        owner, note = dull.owners[i], int(rows.written[n])
        seen = recurrence(_by_take(dull, rows, owner, np.arange(len(rows.written)) == n, known[i]))
        if seen["n_seen"] > 1 and not steady[i, n]:
            continue  # takes scatter with heavy tails: one that is far off makes little of the others enough
        away = {name: excess(rows, owner, name)[n] for name in (TOLD, "level")}
        veiled = family.veiled.get(note)
        text = (
            f"{midi_to_note(note)} is duller than on the others, more than the rest of the scale: harmonics around 2"
            f" kHz {away[TOLD]:+.1f} dB, level {away['level']:+.1f} dB. {_basis(rows, owner, dull)} {words.NOTE_ELSE} "
        )
        if veiled:
            text += f"This note normally differs ({veiled}); here it is compared with the same note of the others. "
        row = _row(owner, "stuffy_note", note, note, 1, clear[0, i, n], "z", 1 - p[:, i, n].max(), text + words.POINTER)
        findings.append(row | seen)
    return findings


def _session_rows(dull: Dullness, rows: Rows, tolerances: _Tolerances) -> list[Row]:
    limit = min(tolerance["stuffy_z"] for tolerance in tolerances.values())
    findings = []
    for session, z in dull.session_z.items():
        state = rows.keys.loc[rows.keys["session"] == session, "state"].iloc[0]
        for n in np.flatnonzero(z > limit):
            note = int(rows.written[n])
            text = f"{midi_to_note(note)} is dull in every instrument of session {session}, and not in other sessions."
            confidence = special.ndtr(z[n]) ** len(z)
            findings.append(
                _row((None, state), "session_effect", note, note, 1, z[n], "z", confidence, f"{text} {words.SESSION}")
            )
    return findings


def _odd(notes: pd.DataFrame, instruments: dict[str, Row]) -> list[Row]:
    """Instruments unlike the others of their model and comparability group."""
    model = notes["instrument"].map(lambda name: instruments[name].get("model") or "")
    findings = []
    for _, alike in notes.groupby([model, "group"], sort=False):
        for odd in odd_ones(features(alike)):
            written = alike[alike["instrument"] == odd.owner[0]]["written_note"].map(note_to_midi)
            text = words.odd(odd.away, FEATURES, odd.others)
            size, n = max(odd.away.values(), key=abs), written.nunique()
            place = written.min(), written.max()
            findings.append(_row(odd.owner, "odd_one_out", *place, n, size, "z", 1 - odd.p, text))
    return findings


def _intonation(
    notes: pd.DataFrame, family: Family, tolerances: _Tolerances, instruments: dict[str, Row], far: Collection[FarOff]
) -> list[Row]:
    """Notes and registers out of tune, less single notes that are told as far from their place."""
    if notes.empty:
        return []
    told = {(one.instrument, one.state, one.written) for one in far}
    away, takes, s_r = note_deviations(notes, _written(notes, family))
    interval = "Twelfths" if family.overblow == 19 else "Octaves"
    findings = []
    for owner in away.index:
        tolerance = tolerances[owner[0]]["note_cents"]
        for one in out_of_tune(away, takes, s_r, owner, family, tolerance, same_model(owner[0], instruments)):
            if one.what == "note" and (*owner, one.first) in told:
                continue
            text = words.explain_intonation(one, family, tolerance, interval)
            row = _row(owner, one.kind, one.first, one.last, one.n, one.cents, "cents", one.confidence, text)
            # a slip on top of what a sound note is off by is no fault: single takes must lie beyond the tolerance
            seen = recurrence(one.effects, tolerance if one.n <= FEW_NOTES else 0.0)
            findings.append(row | seen | {"scope": "design" if one.design else "unit"})
    return findings


def _cracking(notes: pd.DataFrame, family: Family) -> list[Row]:
    return [
        _row(
            one.owner, "cracking", one.first, one.last, one.n, 100 * one.takes / one.of, "%", 1 - one.p,
            words.explain_cracking(one),
        ) | {"n_seen": one.takes, "n_takes": one.of}
        for one in cracking(notes, _written(notes, family))
    ]  # fmt: skip


def _noisy(notes: pd.DataFrame, family: Family, config: dict[str, Any]) -> list[Row]:
    """Of instruments at the base dynamic, the whole instrument being concerned."""
    noticed = float(config.get("just_noticeable", {}).get("noise") or CRITERIA["noise"].step or 0.0)
    findings = []
    for _, of_group in notes.groupby("group", sort=False):
        rows = collect_rows(of_group, _written(of_group, family))
        for one in noisy(rows, hidden_share(of_group), noticed):
            heard = members(rows.keys, [one.owner])[0]
            written = rows.written[np.isfinite(rows.value["noise"][heard]).any(axis=0)]
            text = words.explain_noisy(one, rows.keys["instrument"].nunique() - 1, int(rows.keys["takes"][heard].sum()))
            place = written[0], written[-1], len(written)
            findings.append(_row(one.owner, "noisy", *place, one.db, "dB", 1 - one.p, text))
    return findings
