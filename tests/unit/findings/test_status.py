"""Statuses worked out by hand: what is good, against and open, for the state it holds in and nowhere else."""

from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from evenbore.compare.gates import Gate
from evenbore.facts.columns import names
from evenbore.files.tables import conform
from evenbore.findings.status import status_table
from evenbore.findings.vet import NOTHING, Decision

STATES = ["as_found", "after_setup"]
FAMILY = SimpleNamespace(name="flute")
FAULT = {"instrument": "a", "state": "as_found", "item": "pads", "result": "fault"}


def decision(name="a", state="as_found", word="accept", against=(), unsure=()):
    return Decision(name, state, word, tuple(against), tuple(unsure), (), Gate({}), 2, None)


def statuses(decided, *, verdicts=(), values=(), findings=(), inspection=(), first=(("a", 0.7), ("b", 0.3)), front=()):
    """The table for instruments a and b; `verdicts`: (criterion, verdict) of the pair a, b."""
    study = SimpleNamespace(
        instruments={name: {"label": name.upper(), "family": "flute"} for name in "ab"}, families={"flute": FAMILY},
        inspection=inspection, config={"states": STATES, "priorities": {"buyer": {"noise": 1}}, "currency": "EUR"},
    )  # fmt: skip
    states = {one.instrument: one.state for one in decided}
    pairs = pd.DataFrame(
        [{"criterion": c, "instrument_a": "a", "instrument_b": "b", "verdict": v} for c, v in verdicts],
        columns=names("pairs"),
    )
    criteria = pd.DataFrame(
        [("noise", "lower"), ("dynamic_range", "higher"), ("brightness", "taste"), ("fundamental_strength", "taste")],
        columns=["criterion", "better"],
    )
    values = pd.DataFrame(values, columns=["instrument", "state", "criterion", "value", "reason"])
    ranking = pd.DataFrame(
        [{"priorities": "buyer", "group": 1, "instrument": n, "p_first": p} for n, p in first], columns=names("ranking")
    )
    value = pd.DataFrame({"instrument": list(front), "on_front": "yes"}, columns=names("value"))
    found = pd.DataFrame(list(findings), columns=names("findings"))
    table = status_table(decided, found, values, criteria, [pairs], ranking, value, study, states)
    return conform(table, "status").fillna("").set_index(["instrument", "state"])


def test_an_accepted_one_says_that_nothing_was_found():
    row = statuses([decision()]).loc[("a", "as_found")]
    assert (row["decision"], row["good"], row["against"], row["open"]) == ("accept", NOTHING, "", "")
    assert (row["current"], row["must_pass"], row["p_first"]) == ("yes", "pass", 0.7)
    assert row["sentence"] == f"A (flute, as found): accept; {NOTHING}."


def test_better_and_worse_are_told_of_what_differs_alone():
    values = [(n, "as_found", c, v, "") for c, x, y in (("noise", -30.0, -35.0), ("dynamic_range", 20.0, 12.0))
              for n, v in (("a", x), ("b", y))]  # fmt: skip
    told = [("noise", "differs"), ("dynamic_range", "undecided")]
    table = statuses([decision("a"), decision("b")], verdicts=told, values=values)
    assert table.loc[("a", "as_found"), "against"] == "noise: worse than 1 of 1 others"
    assert "noise: better than 1 of 1 others" in table.loc[("b", "as_found"), "good"]
    assert not table["good"].str.contains("dynamic range").any()


def test_what_is_a_matter_of_taste_is_the_character_and_neither_good_nor_bad():
    values = [("a", "as_found", "brightness", 1.25, ""), ("b", "as_found", "brightness", -0.25, "")]
    told = [("brightness", "differs")]
    table = statuses([decision("a"), decision("b")], verdicts=told, values=values)
    bright, dark = table.loc[("a", "as_found")], table.loc[("b", "as_found")]
    assert bright["character"] == "brightness: brighter than 1 of 1 others, by 1.5 dB per octave in the middle"
    assert dark["character"] == "brightness: darker than 1 of 1 others, by 1.5 dB per octave in the middle"
    assert (bright["good"], bright["against"], bright["open"]) == (NOTHING, "", "")
    assert "Brightness: brighter than 1 of 1 others, by 1.5 dB per octave in the middle." in bright["sentence"]
    leak = {"instrument": "b", "state": "as_found", "kind": "stuffy_run", "scope": "unit"}
    table = statuses([decision("a"), decision("b")], verdicts=told, values=values, findings=[leak])
    assert table.loc[("b", "as_found"), "character"].endswith("which what was found may cause")
    assert "may cause" not in table.loc[("a", "as_found"), "character"]


def test_a_character_has_its_unit_also_where_that_of_the_tables_is_all_of_it():
    values = [(name, "as_found", "fundamental_strength", value, "") for name, value in (("a", -3.0), ("b", 0.5))]
    told = [("fundamental_strength", "differs")]
    row = statuses([decision("a"), decision("b")], verdicts=told, values=values).loc[("a", "as_found")]
    assert row["character"].endswith("weaker in the fundamental than 1 of 1 others, by 3.5 dB in the middle")


def test_what_a_fault_flatters_is_no_merit_and_is_marked():
    values = [("a", "as_found", "dynamic_range", 20.0, ""), ("b", "as_found", "dynamic_range", 12.0, "")]
    leak = {"instrument": "a", "state": "as_found", "kind": "stuffy_run", "scope": "unit"}
    bench = decision("a", word="bench", against=["a run of stuffy notes: C4 to G4"])
    table = statuses(
        [bench, decision("b")], verdicts=[("dynamic_range", "differs")], values=values, findings=[leak]
    )  # fmt: skip
    row = table.loc[("a", "as_found")]
    assert "dynamic range" not in row["good"]
    assert "flattered by what was found, no merit: timbre evenness, level evenness, dynamic range" in row["open"]
    asked = [leak | {"if_tried": "C4 at mf"}]
    table = statuses([bench, decision("b")], verdicts=[("dynamic_range", "differs")], values=values, findings=asked)
    assert "dynamic range" in table.loc[("a", "as_found"), "good"]


def test_a_fault_mended_stands_in_the_earlier_state_alone():
    mended = [decision(word="bench", against=["a stuffy note: C4"]), decision(state="after_setup")]
    table = statuses(mended, inspection=[FAULT])
    before, now = table.loc[("a", "as_found")], table.loc[("a", "after_setup")]
    assert (before["current"], before["decision"], before["p_first"]) == ("no", "bench", "")
    assert (now["current"], now["decision"], now["against"]) == ("yes", "accept", "")
    assert now["open"] == "pads: a fault as found, not inspected since"
    seen = statuses(mended, inspection=[FAULT, FAULT | {"state": "after_setup", "result": "ok"}])
    assert seen.loc[("a", "after_setup"), "open"] == ""


def test_nothing_comes_first_alone():
    assert statuses([decision()], first=[("a", 1.0)]).loc[("a", "as_found"), "p_first"] == ""


def test_the_front_of_value_is_no_merit_of_what_goes_to_the_bench():
    assert "best value" in statuses([decision()], front="a").loc[("a", "as_found"), "good"]
    assert "best value" not in statuses([decision(word="bench")], front="a").loc[("a", "as_found"), "good"]


def test_a_missing_value_is_open_with_its_reason():
    row = statuses([decision()], values=[("a", "as_found", "noise", np.nan, "no repeats; no luck")]).loc[
        ("a", "as_found")
    ]
    assert row["open"] == "no value for noise: no repeats, no luck"  # semicolons part clauses and nothing else


@pytest.mark.parametrize("word", ["bench", "retake"])
def test_the_sentence_gives_the_reason_of_the_decision(word):
    given = {"against" if word == "bench" else "unsure": ["F4 is out"]}
    table = statuses([decision(word=word, **given)], values=[("a", "as_found", "total_cost", 900.0, "")])
    assert table["sentence"].iloc[0] == f"A (flute, as found): {word}; F4 is out. It costs 900 EUR in all."
