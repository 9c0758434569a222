"""What to buy by budget, on a study small enough to decide by hand."""

import re
from types import SimpleNamespace

import pandas as pd
import pytest

from evenbore.files.webpage import templates_in
from evenbore.page.build import TEMPLATES
from evenbore.report import words
from evenbore.report.decide import (
    choices,
    deciding,
    not_taken,
    purpose,
    shown_better,
    speaking,
    totals,
    view_of_cost,
)
from evenbore.report.words import Answer, Place

# In the order of the ranking: the best is dear, the second sick, the third in between, the fourth cheap, the fifth
# without a price.
COSTS = {"best": 2000.0, "sick": 500.0, "middle": 1000.0, "cheap": 400.0, "gift": None}
DECISIONS = {"best": "accept", "sick": "bench", "middle": "accept", "cheap": "accept", "gift": "accept"}
CHANCES = {"best": 0.6, "sick": 0.2, "middle": 0.15, "cheap": 0.05, "gift": 0.0}


@pytest.fixture
def results():
    now = {name: {"decision": DECISIONS[name], "total_cost": COSTS[name]} for name in COSTS}
    values = pd.DataFrame({"instrument": ["best", "middle"] * 2, "criterion": ["noise"] * 2 + ["brightness"] * 2,
                           "value": [-40.0, -30.0, 1.0, 2.0]})  # fmt: skip
    pairs = pd.DataFrame({"instrument_a": "middle", "instrument_b": "best", "criterion": ["noise", "total_cost"],
                          "verdict": "differs"})  # fmt: skip
    return SimpleNamespace(
        tables={"pairs": pairs}, compared=lambda _: values, flattered=set(), shown=list(COSTS), now=now
    )


def answer(**gates):
    places = [Place(name, chance, 1, 5, gates.get(name, ""), 0.0) for name, chance in CHANCES.items()]
    return Answer("any", "horn", None, False, places[0], places[:3], places, [], [], None, [])


def test_the_choice_changes_with_the_budget_alone(results):
    made = choices(results, answer(), {})
    assert [(one.budget, one.instrument) for one in made] == [
        (0, None), (400, "cheap"), (1000, "middle"), (2000, "best")]  # fmt: skip


def test_why_not_the_first_in_rank(results):
    dear = choices(results, answer(), {})[2]
    assert dear.first.instrument == "best" and dear.why_not == "cost"
    results.now["best"]["decision"] = "bench"
    sick = choices(results, answer(), {})[-1]
    assert sick.instrument == "middle" and sick.first.instrument == "best" and sick.why_not == "bench"


def test_who_fails_a_must_pass_is_never_chosen(results):
    assert choices(results, answer(best="worst note 40 cents"), {})[-1].instrument == "middle"


def test_what_more_money_buys_is_what_the_pairs_show(results):
    better = shown_better(results)
    assert better == {("best", "middle"): ("noise",)}  # lower is better; a cost is not heard
    middle = choices(results, answer(), better)[2]
    (dearer,), (cheaper,) = middle.dearer, middle.cheaper  # the sick one and the one without a price are not offered
    assert (dearer.instrument, dearer.cost, dearer.better, dearer.worse) == ("best", 1000, ("noise",), ())
    assert (cheaper.instrument, cheaper.cost, cheaper.better, cheaper.worse) == ("cheap", -600, (), ())


@pytest.mark.parametrize("better", [{}, {("middle", "cheap"): ("noise",)}])
def test_the_deciding_sentence_and_the_row_below_say_the_same_of_less_money(results, better):
    middle = choices(results, answer(), better)[2]
    prices = {name: cost for name, cost in COSTS.items() if cost is not None}
    parts = deciding(middle, prices, "EUR")
    text = "".join(part if isinstance(part, str) else part.instrument for part in parts)
    environment = templates_in(TEMPLATES)
    environment.filters |= {"number": words.number, "plain": str, "sentence": words.sentence}
    environment.filters |= {"percent": words.percent, "deciding": deciding, "speaking": speaking}
    on = {"label": {name: name for name in COSTS}, "currency": "EUR"}
    row = re.sub("<.*?>", "", str(environment.get_template("choice.html").module.beside(middle, on)))
    if better:
        assert text == "take middle, 1000 EUR"
        assert "lost" not in row and "cheap (600 EUR less) noise is worse" in " ".join(row.split())
    else:
        assert text == "take middle, 1000 EUR; or save 600 EUR with cheap: nothing is shown to be lost"
        assert "Nothing is shown to be lost with cheap (600 EUR less)" in " ".join(row.split())


def test_nothing_is_said_of_pairs_that_are_not_read(results):
    better = shown_better(results)
    results.shown = ["middle", "cheap"]
    middle = choices(results, answer(), better)[2]
    assert middle.dearer == () and len(middle.cheaper) == 1
    results.shown = ["best", "cheap"]
    middle = choices(results, answer(), better)[2]
    assert middle.dearer == middle.cheaper == ()


def test_what_a_finding_flatters_is_no_merit(results):
    results.flattered = {("best", "noise")}
    assert shown_better(results) == {}


def test_without_prices_there_is_one_choice(results):
    for row in results.now.values():
        row["total_cost"] = float("nan")
    (only,) = choices(results, answer(), {})
    assert only.instrument == "best" and only.budget is None and only.dearer == only.cheaper == ()


def test_the_reason_given_is_the_one_that_decided(results):
    results.now = {
        "cheap": {"decision": "retake", "against": "noise: worse than 2 of 3 others",
                  "open": "one take only: take it again"},
        "sick": {"decision": "bench", "against": "a stuffy note: D5 (-3.0 dB), confidence 0.9", "open": ""},
    }  # fmt: skip
    assert [(one.instrument, one.why) for one in not_taken(results)] == [
        ("sick", "a stuffy note: D5"), ("cheap", "one take only: take it again")]  # fmt: skip


def test_totals_and_the_view_of_cost(results):
    assert totals(results) == {"accept": 4, "bench": 1}
    assert "no weight" in view_of_cost({"noise": 3})
    assert "25 % of the weight" in view_of_cost({"noise": 3, "total_cost": 1})


@pytest.mark.parametrize(
    ("sheet", "factors", "wanted"),
    [
        ({"price": 900.0, "shipment": "s1"}, 3, "shop"),
        ({"price": None, "shipment": None}, 3, "research"),
        ({"price": 900.0, "shipment": None}, 3, "purchase"),  # a price: somebody wants to buy
        ({"price": None, "shipment": None}, 0, "purchase"),
    ],
)
def test_what_a_study_is_for(sheet, factors, wanted):
    study = SimpleNamespace(instruments={"a": sheet})
    assert purpose(SimpleNamespace(study=study, tables={"factors": pd.DataFrame({"p": [0.1] * factors})})) == wanted
