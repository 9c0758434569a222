"""The report in a browser: no errors, no requests, sorting, filtering, pairs, phone width, print, hostile labels."""

import base64
import io
import json
import re
import urllib.parse

import pypdf
import pytest
from selenium.webdriver.common.by import By
from selenium.webdriver.common.keys import Keys
from selenium.webdriver.support.ui import Select, WebDriverWait

import report_sample
from evenbore.facts.criteria import CRITERIA


def shown_rows(page):
    return page.execute_script(
        "return [...document.querySelectorAll('#comparison tbody tr')].filter(r => !r.hidden)"
        ".map(r => r.querySelector('a').hash.slice(3))"
    )


def header(page, text):
    return next(b for b in page.find_elements(By.CSS_SELECTOR, "#comparison thead button") if text in b.text)


def open_pairs(page):
    page.execute_script("document.getElementById('all-pairs').open = true")


def pair_rows(page):
    return page.execute_script(
        "return [...document.querySelectorAll('#pair-table tbody tr')].map(r => [...r.cells].map(c => c.textContent))"
    )


def test_no_errors_and_no_requests(page):
    open_pairs(page)
    page.execute_script("window.scrollTo(0, document.body.scrollHeight)")
    assert page.get_log("browser") == []
    urls = [
        message["params"]["request"]["url"]
        for entry in page.get_log("performance")
        if (message := json.loads(entry["message"])["message"])["method"] == "Network.requestWillBeSent"
    ]
    assert urls
    assert {urllib.parse.urlsplit(url).scheme for url in urls} <= {"file", "data"}
    assert [url for url in urls if url.startswith("file:")] == [page.current_url]


def test_every_picture_is_shown(same):
    shown = "return arguments[0].complete && arguments[0].naturalWidth > 0"
    for picture in same.find_elements(By.TAG_NAME, "img"):
        same.execute_script("arguments[0].scrollIntoView()", picture)  # unpacked when it comes near
        WebDriverWait(same, 20).until(lambda _, picture=picture: same.execute_script(shown, picture))


def test_hostile_labels_run_nothing_and_are_shown(same):
    assert same.execute_script("return document.querySelectorAll('script:not([type])').length") == 2
    assert same.find_element(By.ID, "i-a").text == report_sample.LABELS["a"]
    assert report_sample.LABELS["b"] in same.find_element(By.ID, "pair-table").get_property("textContent")


def test_sorting_by_click_and_keyboard(page, results):
    values = results.compared("instruments").set_index(["criterion", "instrument"])["value"]["intonation_spread"]
    rising = values.astype(float).sort_values().index.tolist()
    button = header(page, "intonation")
    button.click()
    assert shown_rows(page) == rising
    assert button.find_element(By.XPATH, "..").get_attribute("aria-sort") == "ascending"
    button.send_keys(Keys.ENTER)
    assert shown_rows(page) == rising[::-1]
    assert button.find_element(By.XPATH, "..").get_attribute("aria-sort") == "descending"


def test_missing_values_sort_last_either_way(same):
    button = header(same, "total cost")
    for _ in range(2):
        button.click()
        assert shown_rows(same)[-1] == "f"  # has no price


def test_sorting_by_a_target_goes_by_the_distance_from_zero(same, results):
    values = results.compared("instruments").set_index(["criterion", "instrument"])["value"]["tuning_offset"]
    header(same, "tuning").click()
    assert shown_rows(same) == values.astype(float).abs().sort_values().index.tolist()


def test_filters(page):
    everybody = set(shown_rows(page))
    page.find_element(By.ID, "filter-text").send_keys("house")
    assert shown_rows(page) == ["ref"]
    assert page.find_element(By.ID, "filter-count").text == f"1 of {len(everybody)} shown"
    page.find_element(By.CSS_SELECTOR, "#filter button[type=reset]").click()
    WebDriverWait(page, 10).until(lambda _: set(shown_rows(page)) == everybody)  # the page acts after the event
    page.find_element(By.ID, "filter-gate").click()
    assert everybody - set(shown_rows(page)) == {"a"}  # its worst note lies beyond the gate
    page.find_element(By.ID, "filter-cost").send_keys("700")
    assert set(shown_rows(page)) == {"ref"}


def test_pairs_of_a_chosen_instrument_turn_their_sign_with_it(same, results):
    table = results.tables["pairs"]
    table = table[table["criterion"] == "noise"].set_index(["instrument_a", "instrument_b"])
    names = {name: results.label(name) for name in results.order}
    open_pairs(same)
    Select(same.find_element(By.ID, "pair-criterion")).select_by_visible_text("noise")
    Select(same.find_element(By.ID, "pair-a")).select_by_index(1 + results.order.index("d"))
    Select(same.find_element(By.ID, "pair-b")).select_by_index(1 + results.order.index("ref"))
    (row,) = pair_rows(same)
    assert row[:3] == [names["d"], names["ref"], "noise"]
    shown = float(row[3].split()[0].replace("−", "-"))
    assert shown == pytest.approx(table.loc[("d", "ref"), "difference"], abs=0.006)
    Select(same.find_element(By.ID, "pair-a")).select_by_index(1 + results.order.index("ref"))
    Select(same.find_element(By.ID, "pair-b")).select_by_index(1 + results.order.index("d"))
    (turned,) = pair_rows(same)
    assert turned[:2] == row[1::-1]
    assert float(turned[3].split()[0].replace("−", "-")) == -shown
    assert turned[5].split(", better")[0] == row[5].split(", better")[0]
    if row[5].startswith("differs"):
        assert turned[5] == row[5]  # the better one does not depend on the order


def test_the_pairs_of_a_verdict(page, results):
    open_pairs(page)
    Select(page.find_element(By.ID, "pair-verdict")).select_by_visible_text("no audible difference")
    wanted = (results.tables["pairs"]["verdict"] == "no_audible_difference").sum()
    rows = pair_rows(page)
    assert len(rows) == wanted and {row[5] for row in rows} == {"no audible difference"}


@pytest.mark.parametrize("width", [360, 1440])
def test_no_sideways_scroll_and_a_screenshot(same, size, width, tmp_path):
    size(width)
    open_pairs(same)
    assert same.execute_script("return document.documentElement.scrollWidth") == width
    path = tmp_path / f"report_{width}.png"
    assert same.save_screenshot(str(path)) and path.stat().st_size > 10_000


def test_keyboard_reaches_the_skip_link_first_and_every_stop_is_visible(page):
    page.find_element(By.TAG_NAME, "body").send_keys(Keys.TAB)
    assert page.switch_to.active_element.get_attribute("href").endswith("#main")
    outline = page.execute_script("return getComputedStyle(document.activeElement).outlineStyle")
    assert outline != "none"


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_the_colour_scheme_is_followed(same, scheme):
    wanted = {"name": "prefers-color-scheme", "value": scheme}
    same.execute_cdp_cmd("Emulation.setEmulatedMedia", {"features": [wanted]})
    background = same.execute_script("return getComputedStyle(document.body).backgroundColor")
    same.execute_cdp_cmd("Emulation.setEmulatedMedia", {"features": []})
    assert background == {"light": "rgb(255, 255, 255)", "dark": "rgb(22, 25, 28)"}[scheme]


def test_nothing_is_cut_off_on_paper(same, size):
    size(718)  # A4 with the browser's margins, CSS px
    same.execute_cdp_cmd("Emulation.setEmulatedMedia", {"media": "print"})
    widths = []
    for whole in ("add", "remove"):
        same.execute_script(f"document.documentElement.classList.{whole}('whole')")
        widths.append(same.execute_script("return document.documentElement.scrollWidth"))
    same.execute_cdp_cmd("Emulation.setEmulatedMedia", {"media": ""})
    assert widths == [718, 718]


def printed(page, width, height):
    """The pages' texts on paper of this size, inches."""
    pdf = page.execute_cdp_cmd("Page.printToPDF", {"paperWidth": width, "paperHeight": height})["data"]
    return [sheet.extract_text() for sheet in pypdf.PdfReader(io.BytesIO(base64.b64decode(pdf))).pages]


@pytest.mark.parametrize("paper", [(8.27, 11.69), (8.5, 11)], ids=["A4", "Letter"])
def test_paper_holds_a_summary_of_few_pages(same, paper):
    sheets = printed(same, *paper)
    assert 1 <= len(sheets) <= 6
    assert all(len(text.split()) > 15 for text in sheets)  # none with a heading alone
    text = " ".join(" ".join(sheets).split())
    assert "What to buy" in text and "All instruments by all criteria" in text and "Cautions" in text
    assert "Provenance" not in text


def test_everything_is_printed_on_demand(page):
    page.execute_script("window.print = () => { window.asked = document.documentElement.className; }")
    page.execute_script("document.querySelector('[data-print=whole]').click()")
    WebDriverWait(page, 20).until(lambda _: page.execute_script("return window.asked") == "whole")
    pictures = "return [...document.images].every((i) => i.complete && i.naturalWidth > 0)"
    assert page.execute_script(pictures)
    assert page.execute_script("return document.documentElement.className") == ""
    page.execute_script("document.querySelector(\"[data-print='']\").click()")
    WebDriverWait(page, 20).until(lambda _: page.execute_script("return window.asked") == "")


@pytest.mark.parametrize("width", [360, 1440])
def test_every_link_of_the_contents_lands_where_it_points(same, size, width):
    size(width)
    for link in same.find_elements(By.CSS_SELECTOR, "nav a, .card h3 a"):
        target = link.get_attribute("href").partition("#")[2]
        same.execute_script("arguments[0].click()", link)
        top, covered, left = same.execute_script(
            "const t = document.getElementById(arguments[0]).getBoundingClientRect().top;"
            "return [t, document.querySelector('nav').getBoundingClientRect().bottom,"
            " document.documentElement.scrollHeight - innerHeight - scrollY]", target,
        )  # fmt: skip
        assert covered - 1 <= top < covered + 60 or left < 2, target  # below the contents, unless the page ends there


@pytest.mark.parametrize("target", ["i-b", "pairs", "methods"])
def test_a_shared_link_lands_where_it_points(same, report, target):
    same.get("about:blank")
    same.get((report / "results/report.html").as_uri() + f"#{target}")
    busy = same.find_element(By.ID, "own-result")
    WebDriverWait(same, 20).until(lambda _: busy.get_attribute("aria-busy") == "false")
    WebDriverWait(same, 20).until(lambda _: same.find_elements(By.CSS_SELECTOR, "#map-grid .cell"))
    where = "return document.getElementById(arguments[0]).getBoundingClientRect().top"
    WebDriverWait(same, 5).until(lambda _: 0 <= same.execute_script(where, target) < 110)


def test_a_word_opens_its_meaning_in_place(same):
    for place in ("#comparison thead", "#compare-table tbody"):
        button = same.find_element(By.CSS_SELECTOR, f"{place} .what[aria-label='What is noise?']")
        same.execute_script("arguments[0].scrollIntoView({ block: 'center' })", button)
        same.execute_script("arguments[0].click()", button)
        meaning = same.find_element(By.ID, "w-noise")
        assert meaning.is_displayed() and CRITERIA["noise"].glossary in meaning.text
        same.find_element(By.TAG_NAME, "body").send_keys(Keys.ESCAPE)
        assert not meaning.is_displayed()
    targets = same.execute_script(
        "return [...document.querySelectorAll('.what')].filter((b) => !document.getElementById("
        "b.getAttribute('popovertarget'))).map((b) => b.outerHTML)"
    )
    assert targets == []


def test_a_number_copied_is_the_number_shown(same, results):
    """The number of a note is no further digit of the value."""
    cell = same.execute_script(
        "return [...document.querySelectorAll('#comparison td')].find((c) => c.querySelector('.value + .note'))"
    )
    assert cell is not None
    copied = same.execute_script(
        "const r = document.createRange(); r.selectNodeContents(arguments[0]); const s = getSelection();"
        "s.removeAllRanges(); s.addRange(r); return s.toString()", cell,
    )  # fmt: skip
    value = cell.find_element(By.CSS_SELECTOR, ".value").text
    assert copied.split()[0] == value


def test_the_decisions_are_sorted_either_way(same, results):
    wanted = sorted(results.tables["status"].query("current == 'yes'")["decision"])
    button = same.find_element(By.XPATH, "//table[@id='decisions']//button[.='Decision']")
    for order in (wanted, wanted[::-1]):
        same.execute_script("arguments[0].click()", button)
        cells = "return [...document.querySelectorAll('#decisions tbody tr')].map((r) => r.cells[1].textContent.trim())"
        assert same.execute_script(cells) == order


def test_the_cards_follow_the_buyer(same, results):
    for name, buyer in (("d", "soloist"), ("d", "beginner"), ("c", "workshop_lot")):
        Select(same.find_element(By.ID, "buyer")).select_by_value(buyer)
        card = same.find_element(By.XPATH, f"//li[contains(@class, 'card')][.//a[@href='#i-{name}']]")
        share = results.tables["ranking"].set_index(["priorities", "instrument"]).loc[(buyer, name), "p_first"]
        text = " ".join(card.text.replace("\xa0", " ").split())
        assert f"{100 * share:.0f} % to be first for a {buyer.replace('_', ' ')}" in text


def choose_two(page, results, a, b):
    for field, name in (("compare-a", a), ("compare-b", b)):
        Select(page.find_element(By.ID, field)).select_by_index(results.order.index(name))


def pairs_of(results, *two):
    rows = results.tables["pairs"]
    return rows[rows["instrument_a"].isin(two) & rows["instrument_b"].isin(two)]


def test_two_side_by_side_show_values_difference_and_verdict(same, results):
    choose_two(same, results, "e", "b")
    cells = same.execute_script(
        "return [...document.querySelectorAll('#compare-table tbody tr')].map(r => [...r.cells].map(c => c.innerText))"
    )
    values = results.compared("instruments").set_index(["instrument", "criterion"])["value"]
    assert len(cells) == len(pairs_of(results, "e", "b"))
    (noise,) = [row for row in cells if row[0].startswith("noise")]
    first, second, difference = (float(text.split()[0].replace("−", "-")) for text in noise[2:5])
    assert first == pytest.approx(values["e", "noise"], abs=0.051)
    assert second == pytest.approx(values["b", "noise"], abs=0.051)
    assert difference == pytest.approx(values["e", "noise"] - values["b", "noise"], abs=0.051)


def told_of_two(page, words):
    out = page.find_element(By.ID, "compare-sum")
    WebDriverWait(page, 10).until(lambda _: words in out.text)
    return out.text


def test_the_sentence_on_two_names_every_criterion_once(same, results):
    choose_two(same, results, "a", "ref")
    own = pairs_of(results, "a", "ref").query("criterion != 'total_cost'")
    text = told_of_two(same, "costs 125 EUR less")  # 610 against 485
    listed = text.split(". ")[0]
    for row in own.itertuples():
        assert listed.count(row.criterion.replace("_", " ").removesuffix(" cents")) >= 1, row.criterion
    shown = re.findall(r"is shown to be better in ([^;.]+)", listed)
    assert sum(len(part.split(", ")) for part in shown) == (own["verdict"] == "differs").sum()
    assert ("open:" in listed) == (own["verdict"] == "undecided").any()
    assert len(same.find_elements(By.CSS_SELECTOR, "#compare-charts svg[role=img]")) == 3


def test_two_of_unlinked_set_ups_are_told_apart_from_equals(same, results):
    choose_two(same, results, "a", "f")
    told_of_two(same, "ot comparable")
    choose_two(same, results, "f", "f")
    told_of_two(same, "two different")


def test_from_side_by_side_to_listening(same, results):
    choose_two(same, results, "e", "b")
    same.find_element(By.ID, "compare-listen").click()
    chosen = [Select(same.find_element(By.ID, f"listen-{x}")).first_selected_option.text for x in "ab"]
    assert chosen == [results.label("e"), results.label("b")]
