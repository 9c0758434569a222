"""The report of more instruments than are written out: paged, searched, opened on demand, accessible, printed."""

import re

import pytest
from selenium.webdriver.common.by import By
from selenium.webdriver.support.ui import WebDriverWait
from test_accessibility import violations

from evenbore.report.results import read_results
from evenbore.study.sheets import load_study


@pytest.fixture
def long_page(browser, many, size):
    size(1440)
    browser.get_log("browser")
    browser.get("about:blank")
    browser.get((many / "results/report.html").as_uri())
    return ranked(browser)


@pytest.fixture
def same_page(browser, many, size, request):
    """The page as an earlier test left it: for what does not depend on what was done there before."""
    if browser.current_url.partition("#")[0] != (many / "results/report.html").as_uri():
        return request.getfixturevalue("long_page")
    size(1440)
    return ranked(browser)


def ranked(page):
    WebDriverWait(page, 20).until(
        lambda _: page.find_element(By.ID, "own-result").get_attribute("aria-busy") == "false"
    )
    return page


@pytest.fixture(scope="module")
def order(many):
    return read_results(load_study(many), many / "results/tables").order


def rows(page):
    return page.execute_script(
        "return [...document.querySelectorAll('#comparison tbody tr')].filter(r => !r.hidden)"
        ".map(r => r.querySelector('a').hash.slice(3))"
    )


def press(page, text):
    pager = page.find_element(By.XPATH, "//*[@id='comparison']/ancestor::div[1]/preceding-sibling::p[1]")
    page.execute_script("arguments[0].scrollIntoView({ block: 'center' })", pager)  # not under the contents
    pager.find_element(By.XPATH, f".//button[.='{text}']").click()
    return pager.text


def test_the_table_is_paged_without_losing_a_row(long_page, order):
    assert rows(long_page) == order[:3]
    assert press(long_page, "Next").endswith("4 to 6 of 7")
    assert rows(long_page) == order[3:6]
    assert press(long_page, "Next").endswith("7 to 7 of 7")
    assert rows(long_page) == order[6:]
    bars = "return document.querySelectorAll('#comparison tr:not([hidden]) .bar').length"
    assert long_page.execute_script(bars) > 0  # drawn when first shown


def test_sorting_goes_over_all_pages(long_page, order):
    head = long_page.find_element(By.CSS_SELECTOR, "#comparison thead button")
    head.click()
    first = rows(long_page)
    press(long_page, "Next")
    second = rows(long_page)
    press(long_page, "Next")
    labels = {row["name"]: row["label"] for row in long_page.execute_script(
        "return [...document.querySelectorAll('#comparison tbody th')]"
        ".map(h => ({ name: h.querySelector('a').hash.slice(3), label: h.dataset.sort }))")}  # fmt: skip
    shown = first + second + rows(long_page)
    wanted = long_page.execute_script("return arguments[0].sort((a, b) => a.localeCompare(b))", list(labels.values()))
    assert sorted(shown) == sorted(order)
    assert [labels[name] for name in shown] == wanted


def test_a_folded_instrument_opens_by_search_and_by_any_link(long_page, order):
    field = long_page.find_element(By.ID, "find-text")
    field.send_keys(order[5])
    long_page.find_element(By.CSS_SELECTOR, f"#find-list a[href='#i-{order[5]}']").click()
    wait = WebDriverWait(long_page, 10)
    wait.until(lambda _: long_page.find_elements(By.CSS_SELECTOR, f"#unfolded #i-{order[5]}"))
    assert long_page.execute_script("return document.activeElement.id") == f"i-{order[5]}"
    press(long_page, "Next")
    link = long_page.find_element(By.CSS_SELECTOR, f"#comparison a[href='#i-{order[4]}']")
    long_page.execute_script("arguments[0].scrollIntoView({ block: 'center' })", link)
    link.click()
    wait.until(lambda _: long_page.find_elements(By.CSS_SELECTOR, f"#unfolded #i-{order[4]}"))
    assert len(long_page.find_elements(By.CSS_SELECTOR, "#unfolded .instrument")) == 2
    assert long_page.get_log("browser") == []


def test_an_address_opens_a_folded_instrument(long_page, many, order):
    long_page.get("about:blank")
    long_page.get((many / "results/report.html").as_uri() + f"#i-{order[6]}")
    WebDriverWait(long_page, 10).until(lambda _: long_page.find_elements(By.CSS_SELECTOR, f"#unfolded #i-{order[6]}"))


def test_a_list_is_searched(same_page):
    field = same_page.find_element(By.XPATH, "//label[starts-with(., 'Find in these 7 decisions')]/input")
    seen = "return [...document.querySelectorAll('tbody[data-name=decisions] tr')].filter(r => !r.hidden).length"
    assert same_page.execute_script(seen) == 3
    field.send_keys("House horn")
    assert same_page.execute_script(seen) == 1


def test_own_priorities_list_everybody_on_pages(same_page):
    listed = "return [...document.querySelectorAll('#own-result tbody tr')].map(r => r.hidden)"
    hidden = same_page.execute_script(listed)
    assert len(hidden) >= 6
    assert hidden[:3] == [False] * 3 and all(hidden[3:6])


@pytest.mark.parametrize("width", [360, 1440])
def test_no_violations_and_no_sideways_scroll(same_page, size, width, order):
    size(width)
    same_page.execute_script("location.hash = arguments[0]", f"#i-{order[4]}")
    WebDriverWait(same_page, 10).until(lambda _: same_page.find_elements(By.CSS_SELECTOR, "#unfolded .instrument"))
    assert same_page.execute_script("return document.documentElement.scrollWidth") == width
    assert violations(same_page, "#comparison", "#unfolded", ".pager") == []


def test_paper_says_which_rows_it_holds(same_page):
    same_page.execute_cdp_cmd("Emulation.setEmulatedMedia", {"media": "print"})
    told = [part.text for part in same_page.find_elements(By.CSS_SELECTOR, ".pager") if part.is_displayed()]
    same_page.execute_cdp_cmd("Emulation.setEmulatedMedia", {"media": ""})
    assert "1 to 3 of 7" in told
    assert not any(re.search("Next|Previous", text) for text in told)
