"""Two instruments in a sentence, and the words of a card, on rows written by hand."""

from types import SimpleNamespace

import numpy as np
import pandas as pd

from evenbore.report.pairwords import pair_sentences, undecided_throughout
from evenbore.report.portraits import portraits


def study(rows, values, status=()):
    columns = ["instrument_a", "instrument_b", "criterion", "verdict", "takes_needed", "reason"]
    pairs = pd.DataFrame([("a", "b", *row) for row in rows], columns=columns)
    table = pd.DataFrame([(n, c, v) for (n, c), v in values.items()], columns=["instrument", "criterion", "value"])
    return SimpleNamespace(
        tables={"pairs": pairs}, compared=lambda _: table, label=str.upper, shown=["a", "b"], order=["a", "b"],
        study=SimpleNamespace(config={"currency": "EUR"}), now=dict(status),
    )  # fmt: skip


VALUES = {("a", "noise"): -50.0, ("b", "noise"): -40.0, ("a", "response"): 30.0, ("b", "response"): 20.0,
          ("a", "total_cost"): 900.0, ("b", "total_cost"): 1000.0}  # fmt: skip


def test_what_differs_what_does_not_what_is_open_and_the_price():
    rows = [
        ("noise", "differs", np.nan, None),
        ("intonation_spread", "no_audible_difference", np.nan, None),
        ("response", "undecided", 6, None),
        ("tone_hold", "undecided", 4, None),
        ("level_evenness", "not_comparable", np.nan, "no link"),
        ("total_cost", "differs", np.nan, None),
    ]
    assert pair_sentences(study(rows, VALUES)) == {("a", "b"): (
        "A is shown to be better in noise; no audible difference in intonation spread; open: response, tone hold;"
        " soonest tone hold, by 4 takes of each; not comparable: level evenness (no link). A costs 100 EUR less."
    )}  # fmt: skip


def test_where_all_is_open_one_clause_says_so():
    rows = [("noise", "undecided", np.nan, None), ("response", "undecided", np.nan, None)]
    text = pair_sentences(study(rows, {key: v for key, v in VALUES.items() if key[1] != "total_cost"}))["a", "b"]
    assert text == "Open: everything that is heard."


def test_criteria_by_which_nothing_is_decided():
    rows = [("noise", "undecided", 7, None), ("response", "differs", np.nan, None),
            ("tone_hold", "not_comparable", np.nan, None)]  # fmt: skip
    assert undecided_throughout(study(rows, VALUES)) == [("noise", "7 takes of each and more")]


def test_a_card_tells_what_was_found_first_and_then_what_most_are_told_from():
    good = (
        "nothing past the tolerances was found; response: better than 1 of 5 others; noise: better than 3 of 5 others"
    )
    against = "notes that crack: A5 (in 100 % of its takes), confidence 0.99; noise: worse than 2 of 5 others"
    row = {"good": good, "against": against}
    rows = [("noise", "undecided", np.nan, None), ("total_cost", "differs", np.nan, None)]
    told = portraits(study(rows, VALUES, {"a": row, "b": row}))["a"]
    assert told.good == ["little air in the tone (better than 3 of 5)", "quick to speak (better than 1 of 5)"]
    assert told.against == ["notes that crack: A5", "much air in the tone (worse than 2 of 5)"]
    assert told.alike == ["b"]  # only the price differs
