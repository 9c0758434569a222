"""The reader's own priorities: the page ranks as rank.py does, keeps its state in the address, and can be reset."""

import urllib.parse

import pytest
from selenium.webdriver.common.by import By
from selenium.webdriver.support.ui import Select, WebDriverWait

from browser.conftest import enter
from evenbore.compare.gates import check_gates, seen_by
from evenbore.compare.rank import load_pools, rank_tables


@pytest.fixture(scope="module")
def ranked(report, results):
    """Function: p_first and the 5, 50 and 95 % ranks per instrument and pool, as rank.py gives them."""
    config = results.study.config
    pools = load_pools(report / "results/work/draws.npz")
    states = dict.fromkeys(results.order, "as_found")

    def rank(weights, **limits):
        seen = seen_by(results.study.inspection, states, config["states"])
        checked = check_gates(results.compared("instruments"), seen, config["gates"] | limits, states)
        gates = {name: str(gate) for name, gate in checked.items()}
        failed = {name for name, gate in checked.items() if gate.failed}
        criteria = results.tables["criteria"]
        table = rank_tables(pools, {"own": weights}, criteria, gates, failed, states, config["seed"])["ranking"]
        return {
            row.instrument: (row.p_first, row.rank_low, row.rank_median, row.rank_high)
            for row in table.itertuples(index=False)
        }

    return rank


@pytest.fixture
def own(same):
    """The report as an earlier test left it, but with the priorities and must-haves that it came with."""
    same.execute_script("document.getElementById('own-form').reset()")
    WebDriverWait(same, 20).until(lambda _: "#own" not in same.current_url)
    shown(same)
    return same


def shown(page):
    """The same from the page, once it has ranked what the fields say."""
    out = page.find_element(By.ID, "own-result")
    WebDriverWait(page, 20).until(lambda _: out.get_attribute("aria-busy") == "false")
    rows = page.execute_script(
        "return [...arguments[0].querySelectorAll('tbody tr')].map((r) => ({ ...r.dataset }))", out
    )
    return {row["instrument"]: (float(row["first"]), *map(float, row["ranks"].split())) for row in rows}


def fill(page, attribute, fields):
    enter(page, {f"[{attribute}={name}]": value for name, value in fields.items()})


def weigh(page, weights):
    fields = page.find_elements(By.CSS_SELECTOR, "[data-weight]")
    fill(page, "data-weight", {f.get_attribute("data-weight"): 0 for f in fields} | weights)


def assert_alike(found, wanted):
    assert found.keys() == wanted.keys()
    for name, (first, *quantiles) in wanted.items():
        assert found[name][0] == pytest.approx(first, abs=0.01), name
        assert found[name][1:] == pytest.approx(quantiles, abs=1), name


def test_the_sets_of_the_config_rank_as_in_the_tables(own, results):
    for name in results.study.config["priorities"]:
        Select(own.find_element(By.ID, "own-preset")).select_by_value(name)
        table = results.tables["ranking"]
        table = table[table["priorities"] == name].set_index("instrument")
        found = shown(own)
        assert found.keys() == set(table.index)
        for instrument, row in table.iterrows():
            assert found[instrument][0] == pytest.approx(row["p_first"], abs=0.01), name
            assert found[instrument][1:] == (row["rank_low"], row["rank_median"], row["rank_high"]), name


def test_any_weights_rank_as_rank_py_does(own, ranked):
    for weights in (
        {"intonation_spread": 1, "dynamic_range": 1},  # nothing of it needs linked set-ups: all are ranked together
        {"noise": 3.5, "timbre_evenness": 0.5, "level_evenness": 96},
        {"brightness": -3, "intonation_spread": 1},  # a matter of taste: the darker the better
        {"total_cost": 1},  # prices are exact, and two instruments have none
        {"tuning_offset": 7, "worst_note_cents": 7, "register_width": 7, "response": 50, "tone_hold": 7},
    ):
        weigh(own, weights)
        assert_alike(shown(own), ranked(weights))


@pytest.mark.parametrize(
    "limits",
    [{"worst_note_cents_max": 12}, {"tuning_offset_min": 0, "fault_severity_max": 0}],
)
def test_must_haves_rank_as_gates_py_does(own, ranked, results, limits):
    fill(own, "data-gate", limits)
    weights = next(iter(results.study.config["priorities"].values()))
    assert_alike(shown(own), ranked(weights, **limits))


def test_must_haves_say_what_failed(own):
    fill(own, "data-gate", {"total_cost_max": 500})
    shown(own)
    texts = {
        row.get_attribute("data-instrument"): row.find_elements(By.TAG_NAME, "td")[-1].text
        for row in own.find_elements(By.CSS_SELECTOR, "#own-result tbody tr")
    }
    assert texts["ref"] == "pass"  # 400 and a set-up of 60
    assert "total cost 610 EUR, above 500" in texts["a"]
    assert "total cost not known" in texts["f"]


def test_the_link_is_copied_or_told_where_it_stands(page):
    shown(page)
    page.find_element(By.ID, "own-copy").click()
    told = page.find_element(By.ID, "own-told")
    WebDriverWait(page, 10).until(lambda _: told.text in ("Copied.", "Copy it from the browser's address line."))
    assert "own=1" in page.current_url


def test_must_haves_that_nobody_meets_are_told(own):
    words = "Nobody meets all your must-haves"
    shown(own)
    assert words not in own.find_element(By.ID, "own-result").text
    fill(own, "data-gate", {"worst_note_cents_max": 0})
    shown(own)
    assert words in own.find_element(By.ID, "own-result").text


def test_the_address_holds_the_state_and_a_reset_clears_it(page, report):
    start = shown(page)
    address = page.current_url
    assert "#" not in address
    weigh(page, {"noise": 12.5, "intonation_spread": 3})
    page.find_element(By.CSS_SELECTOR, "[data-gate=total_cost_max]").send_keys("900")
    changed = shown(page)
    assert changed != start
    shared = page.current_url
    assert urllib.parse.parse_qs(urllib.parse.urlsplit(shared).fragment)["noise"] == ["12.5"]
    page.get("about:blank")
    page.get(shared)
    assert shown(page) == changed
    page.find_element(By.CSS_SELECTOR, "#own-form [type=reset]").click()
    assert shown(page) == start
    assert page.current_url == address


@pytest.mark.parametrize(
    "fragment",
    [
        "own=1&noise=<script>alert(1)</script>",
        "own=1&noise=1e999&__proto__=3&total_cost_max=NaN",
        "own",
    ],
)
def test_a_made_up_address_does_no_harm(browser, report, fragment):
    browser.get_log("browser")
    browser.get("about:blank")
    browser.get((report / "results/report.html").as_uri() + "#" + fragment)
    WebDriverWait(browser, 5).until(lambda _: browser.find_element(By.ID, "own-result").text)
    assert [entry for entry in browser.get_log("browser") if entry["level"] == "SEVERE"] == []


def test_without_any_weight_the_page_says_so(own):
    weigh(own, {})
    assert shown(own) == {}
    assert "Nothing has a weight" in own.find_element(By.ID, "own-result").text
