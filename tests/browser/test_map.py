"""The map of all notes: every control by pointer and keyboard, what it plays, and how it fits the screen."""

import itertools
import json

import numpy as np
import pytest
from selenium.webdriver.common.by import By
from selenium.webdriver.common.keys import Keys
from selenium.webdriver.support.ui import Select, WebDriverWait
from test_listening import SPY, frequency, samples

from evenbore.page.notemap import MAPPED, note_map, note_words
from report_sample import WRITTEN


@pytest.fixture(scope="module")
def told(results):
    return note_map(results)


@pytest.fixture
def spied(with_script):
    page = with_script(SPY)
    drawn(page)
    return page


def drawn(page):
    return WebDriverWait(page, 20).until(lambda _: page.find_elements(By.CSS_SELECTOR, "#map-grid .cell"))


def cell(page, results, name, note):
    drawn(page)
    found = page.execute_script(
        "return [...document.querySelectorAll('#map-grid .cell')].find((c) =>"
        " c.getAttribute('aria-label').startsWith(arguments[0]))", f"{results.label(name)}, {note}: ",
    )  # fmt: skip
    assert found is not None
    return found


def shown(page, results, name):
    """Note -> what the map shows of an instrument."""
    texts = page.execute_script(
        "return [...document.querySelectorAll('#map-grid .cell')].map((c) => c.getAttribute('aria-label'))"
    )
    begin = f"{results.label(name)}, "
    return dict(text.removeprefix(begin).split(": ", 1) for text in texts if text.startswith(begin))


def text(page, selector):
    return " ".join(page.find_element(By.CSS_SELECTOR, selector).text.split())


def test_a_note_chosen_is_told_drawn_and_played(spied, results, told):
    spied.execute_script("arguments[0].scrollIntoView({ block: 'center' })", cell(spied, results, "d", "C6"))
    cell(spied, results, "d", "C6").click()
    place = told.instruments.index("d"), [name for _, name, _ in told.notes].index("C6")
    assert text(spied, "#map-text") == note_words(told, place)
    assert text(spied, "#map-title") == f"C6 of {results.label('d')}"
    assert spied.find_elements(By.CSS_SELECTOR, "#map-harmonics svg .dot")
    WebDriverWait(spied, 20).until(lambda _: spied.execute_script("return heard.length") == 1)
    sound = np.trim_zeros(samples(spied, 0), "b")
    inside = sound[len(sound) // 3 : 2 * len(sound) // 3]
    assert frequency(inside) == pytest.approx(440 * 2 ** (WRITTEN.index("C6") / 12), rel=0.003)


def test_the_keyboard_goes_over_the_map_and_chooses(spied, results, told):
    start = spied.find_element(By.CSS_SELECTOR, "#map-grid .cell[tabindex='0']")
    spied.execute_script("arguments[0].focus()", start)
    before = start.get_attribute("aria-label").split(",")
    assert spied.execute_script("return heard.length") == 0
    spied.switch_to.active_element.send_keys(Keys.ARROW_RIGHT)
    spied.switch_to.active_element.send_keys(Keys.ARROW_DOWN)
    spied.switch_to.active_element.send_keys(Keys.ARROW_LEFT)
    spied.switch_to.active_element.send_keys(Keys.ARROW_UP)
    assert spied.switch_to.active_element == start
    spied.switch_to.active_element.send_keys(Keys.END)
    assert spied.switch_to.active_element.get_attribute("aria-label").split(",")[0] == before[0]
    assert f", {told.notes[-1][1]}:" in spied.switch_to.active_element.get_attribute("aria-label")
    spied.switch_to.active_element.send_keys(Keys.HOME)
    assert spied.switch_to.active_element == start
    spied.switch_to.active_element.send_keys(Keys.ENTER)
    assert text(spied, "#map-title").startswith(told.notes[0][1])
    assert len(spied.find_elements(By.CSS_SELECTOR, "#map-grid [tabindex='0']")) == 1


def test_every_measure_shows_the_number_of_the_tables(same, results, told):
    drawn(same)
    i = told.instruments.index("b")
    for measure, way in itertools.product(range(len(MAPPED)), (0, 1)):
        Select(same.find_element(By.ID, "map-measure")).select_by_index(measure)
        Select(same.find_element(By.ID, "map-way")).select_by_index(way)
        texts = shown(same, results, "b")
        for n, (_, name, _) in enumerate(told.notes):
            value, text = (told.others, told.neighbours)[way][measure].difference[i, n], texts[name].split(",")[0]
            if np.isnan(value):
                assert text == "not measured"
            else:
                step = 0.56 if measure in (0, 4) else 0.06  # whole cents and ms, tenths of a dB
                assert float(text.split()[0].replace("−", "-")) == pytest.approx(value, abs=step)


def test_the_scale_runs_along_the_map(spied, results):
    Select(spied.find_element(By.ID, "map-scale")).select_by_visible_text(results.label("c"))
    button = spied.find_element(By.ID, "map-play")
    spied.execute_script("arguments[0].scrollIntoView({ block: 'center' })", button)
    button.click()
    where = "return document.querySelector('#map-grid .sounding')?.getAttribute('aria-label') ?? ''"
    for note in WRITTEN[:2]:
        wanted = f"{results.label('c')}, {note}:"
        WebDriverWait(spied, 10, poll_frequency=0.05).until(
            lambda _, wanted=wanted: spied.execute_script(where).startswith(wanted)
        )
    spied.find_element(By.ID, "map-stop").click()
    WebDriverWait(spied, 5).until(lambda _: spied.execute_script(where) == "")


def test_on_a_phone_the_notes_go_down_and_nothing_is_wider(same, size, told):
    drawn(same)
    size(360)
    rows = "return document.querySelectorAll('#map-grid [role=rowheader]').length"
    WebDriverWait(same, 10).until(lambda _: same.execute_script(rows) == len(told.notes))
    assert same.execute_script("return document.documentElement.scrollWidth") == 360
    sizes = same.execute_script(
        "return [...document.querySelectorAll('#map-grid .cell')].map((c) => { const b = c.getBoundingClientRect();"
        " return [b.width, b.height]; })"
    )
    assert min(min(pair) for pair in sizes) >= 24  # WCAG 2.2, target size (minimum)


def test_the_map_asks_for_nothing_and_complains_of_nothing(page):
    drawn(page)
    assert [entry for entry in page.get_log("browser") if entry["level"] == "SEVERE"] == []
    urls = [m["params"]["request"]["url"] for e in page.get_log("performance")
            if (m := json.loads(e["message"])["message"])["method"] == "Network.requestWillBeSent"]  # fmt: skip
    assert {url.partition(":")[0] for url in urls} <= {"file", "data"}


def test_of_several_kinds_the_map_shows_the_one_chosen(size, browser, report, tmp_path):
    """The sample has one kind: the page here is the one that the template makes of its instruments as two."""
    html = (report / "results/report.html").read_text("utf-8")
    start = html.index(">", html.index('id="map-data"')) + 1
    stop = html.index("</script>", start)
    data = json.loads(html[start:stop])
    ((_, members),) = data["kinds"]
    data["kinds"] = [["first", members[:3]], ["second", members[3:]]]
    options = "".join(f'<option value="{k}">{kind}</option>' for k, (kind, _) in enumerate(data["kinds"]))
    choice = f'<label>Kind <select id="map-kind">{options}</select></label>'
    html = html[:start] + json.dumps(data).replace("<", "\\u003c") + html[stop:]
    html = html.replace('<label>Scale of <select id="map-scale">', f'{choice}<label>Scale of <select id="map-scale">')
    (tmp_path / "two.html").write_text(html, "utf-8")
    size(1440)
    browser.get((tmp_path / "two.html").as_uri())
    drawn(browser)
    for place, (kind, those) in enumerate(data["kinds"]):
        Select(browser.find_element(By.ID, "map-kind")).select_by_visible_text(kind)
        labels = browser.execute_script(
            "return [...document.querySelectorAll('#map-grid .cell')].map((c) => c.getAttribute('aria-label'))"
        )
        names = [data["instruments"][i][1] for i in those]
        others = [data["instruments"][i][1] for i in data["kinds"][1 - place][1]]
        assert all(any(label.startswith(f"{name}, ") for name in names) for label in labels)
        assert not any(label.startswith(f"{name}, ") for label in labels for name in others)
