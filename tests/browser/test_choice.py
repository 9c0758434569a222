"""The first screen: buyer and budget change the sentence and the picture, and both follow the tables."""

import pytest
from selenium.webdriver.common.by import By
from selenium.webdriver.support.ui import Select

from browser.conftest import enter


@pytest.fixture
def choose(same):
    """Function: choose buyer and budget, as by hand; returns what stands there of the first pool."""

    def chosen(buyer, budget=""):
        enter(same, {"#buyer": buyer, "#budget": str(budget)})
        return same.find_element(By.CSS_SELECTOR, "#choices .choice")

    return chosen


def wanted(results, buyer, budget):
    """By the tables: the first of the ranking that is accepted, passes, and costs no more."""
    status = results.tables["status"].set_index("instrument")
    ranking = results.tables["ranking"].query("priorities == @buyer and group == 1")
    for row in ranking.itertuples():
        told = status.loc[row.instrument]
        if told["decision"] == "accept" and told["must_pass"] == "pass" and told["total_cost"] <= budget:
            return row.instrument
    return None


def test_the_sentence_follows_the_tables(choose, results):
    for buyer in results.study.config["priorities"]:
        for budget in ("", 100, 500, 800, 1100, 5000):
            check_sentence(choose(buyer, budget), results, buyer, budget)


def check_sentence(choice, results, buyer, budget):
    name = wanted(results, buyer, float("inf") if budget == "" else budget)
    assert choice.get_attribute("data-instrument") == (name or "")
    text = " ".join(choice.text.split())
    if name is None:
        assert "nothing that could be accepted" in text
        return
    status = results.tables["status"].set_index("instrument").loc[name]
    label = " ".join(results.label(name).split())
    assert f"take {label}, {status['total_cost']:.0f} EUR" in text
    ranking = results.tables["ranking"].set_index(["priorities", "instrument"])
    assert f"probability of {100 * ranking.loc[(buyer, name), 'p_first']:.0f} %" in text.replace("\xa0", " ")
    assert (f"with up to {budget} EUR" in text) == (budget != "")
    assert "whatever the price" not in text or budget == ""


def test_the_picture_marks_the_choice_and_the_budget(choose, same, results):
    choose("beginner", 800)
    taken = same.execute_script(
        "return [...document.querySelectorAll('.value svg.wide .taken')].map((p) => p.dataset.instrument)"
    )
    assert taken == [wanted(results, "beginner", 800)]
    line = same.find_element(By.CSS_SELECTOR, ".value svg.wide .budget-line")
    assert line.get_attribute("visibility") == "visible"
    ends = {
        name: same.execute_script(
            "return Number(document.querySelector(`.value svg.wide [data-instrument=${arguments[0]}] circle`)"
            ".getAttribute('cx'))", name)
        for name in ("b", "c")  # cost 760 and 910
    }  # fmt: skip
    assert ends["b"] < float(line.get_attribute("x1")) < ends["c"]
    choose("beginner")
    assert line.get_attribute("visibility") == "hidden"


def test_it_says_how_the_buyer_sees_cost(same):
    Select(same.find_element(By.ID, "buyer")).select_by_value("soloist")
    assert same.find_element(By.ID, "buyer-cost").text == "Cost has no weight: it decides through the budget alone."


def test_who_is_not_accepted_is_named_with_the_reason(page, results):
    text = page.find_element(By.CSS_SELECTOR, ".opening").text
    assert "<script>alert(1)</script> (must-pass failed: worst_note_cents 36.9 cents, above 35" in text
    assert "Attic find (3 other instruments of its kind" in text


def test_the_sentence_stands_on_the_first_screen(page, size):
    for width, height, lowest in ((360, 740, 740), (1440, 900, 500)):
        size(width, height)
        page.execute_script("window.scrollTo(0, 0)")
        bottom = page.execute_script("return document.querySelector('.choice .lead').getBoundingClientRect().bottom")
        assert bottom < lowest, width
