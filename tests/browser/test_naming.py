"""The page to name takes by ear: it plays, obeys the keyboard, gives sheets that a study accepts, and is accessible."""

import shutil

import numpy as np
import pytest
import soundfile
from selenium.webdriver.common.by import By
from selenium.webdriver.common.keys import Keys
from selenium.webdriver.support.ui import WebDriverWait
from test_accessibility import violations

from evenbore.study.new import add_recordings, new_study
from evenbore.study.sheetfile import write_sheet
from evenbore.study.sheets import load_study
from rendering.render import RATE
from scenarios import generators
from sheetstudies import check_study

STRANGE = '</script><b>=1+1 "x"'
BLOB = """
const make = URL.createObjectURL;
window.given = [];
URL.createObjectURL = (blob) => { window.given.push(blob); return make(blob); };
"""
GIVEN = "Promise.all(window.given.map((b) => b.text())).then(arguments[0])"


@pytest.fixture(scope="module")
def recorded(tmp_path_factory, copied_worker):
    """Three scales in one file, and a study of them."""
    folder = tmp_path_factory.mktemp("naming")
    notes = [(60 + k, 0.6 * k, 0.6 * k + 0.6) for k in range(20)]
    scale = generators.additive("oboe", generators.STEADY, notes)[: 12 * RATE]
    pause = np.zeros(7 * RATE)
    audio = np.concatenate([part for k in range(3) for part in (pause, scale * 0.3 * (k + 1))] + [pause])
    (folder / "audio").mkdir()
    soundfile.write(folder / "audio/Friday & co.flac", audio, RATE)
    new_study(folder / "study", folder / "audio", "oboe")
    return folder / "study"


@pytest.fixture
def study(recorded, tmp_path):
    shutil.copytree(recorded.parent, tmp_path / "copy")
    return tmp_path / "copy" / "study"


@pytest.fixture
def naming(browser, size):
    """Function: open a study's page afresh."""

    def opened(folder, width=1440):
        size(width)
        browser.get("about:blank")
        browser.get_log("browser")
        browser.get((folder / "naming.html").as_uri())
        browser.execute_script("localStorage.clear()")
        browser.refresh()
        browser.execute_script(BLOB)
        return browser

    return opened


def saved(page):
    """What the two buttons give: the sheets of recordings and instruments."""
    for button in ("recordings", "instruments-sheet"):
        page.find_element(By.ID, button).send_keys(Keys.ENTER)
    return page.execute_async_script(GIVEN)


def put(study, texts):
    for kind, text in zip(("recordings", "instruments"), texts, strict=True):
        (study / f"config/{kind}.tsv").write_text(text, encoding="utf-8")


def test_a_take_is_heard_with_the_seconds_before_it(study, naming):
    page = naming(study)
    source = page.find_elements(By.TAG_NAME, "fieldset")[1].get_attribute("data-src")
    start, end = map(float, source.removeprefix("../audio/Friday%20%26%20co.flac#t=").split(","))
    assert start == pytest.approx(20.5, abs=0.3)  # where the take before it has died away
    assert end == pytest.approx(39.5, abs=0.3)
    page.find_elements(By.CSS_SELECTOR, ".play")[1].send_keys(Keys.ENTER)
    WebDriverWait(page, 20).until(
        lambda p: p.execute_script("return document.getElementById('player').currentTime") > start
    )
    assert "2 of 3" in page.find_element(By.ID, "playing").text
    page.switch_to.active_element.send_keys(Keys.ESCAPE)
    assert page.execute_script("return document.getElementById('player').paused")
    assert page.get_log("browser") == []


def test_the_keyboard_alone_names_all_and_the_sheets_are_in_order(study, naming):
    page = naming(study)
    assert "3 of 3 takes are not confirmed" in page.find_element(By.ID, "left").text
    first = page.find_element(By.CSS_SELECTOR, "[data-of=instrument]")
    while page.switch_to.active_element != first:
        page.switch_to.active_element.send_keys(Keys.TAB)
    for name in ("Yéw", "oak", "yéw"):
        page.switch_to.active_element.send_keys(Keys.CONTROL + "a")
        page.switch_to.active_element.send_keys(name + Keys.ENTER)
    assert page.switch_to.active_element == page.find_element(By.ID, "recordings")
    assert page.find_element(By.ID, "left").text == "All 3 takes are confirmed."
    put(study, saved(page))
    loaded = load_study(study)
    assert [(row["instrument"], row["take"]) for row in loaded.recordings] == [("Yew", 1), ("oak", 1), ("Yew", 2)]
    assert [row["start_s"] for row in loaded.recordings] == pytest.approx([5, 24, 43], abs=0.3)
    assert {key: (row["label"], row["family"]) for key, row in loaded.instruments.items()} == {
        "Yew": ("Yéw", "oboe"), "oak": ("oak", "oboe"),
    }  # fmt: skip
    assert check_study(study) == []


def test_a_run_of_takes_is_one_name_and_one_key(study, naming):
    page = naming(study)
    first, _, last = page.find_elements(By.CSS_SELECTOR, "[data-of=instrument]")
    first.send_keys(Keys.CONTROL + "a")
    first.send_keys("oak" + Keys.ENTER)
    assert last.get_attribute("value") == "oak"  # carried on, and not yet confirmed
    assert page.find_element(By.ID, "left").text == "2 of 3 takes are not confirmed."
    last.send_keys(Keys.SHIFT + Keys.ENTER)
    assert page.find_element(By.ID, "left").text == "All 3 takes are confirmed."
    put(study, saved(page))
    assert [(row["instrument"], row["take"]) for row in load_study(study).recordings] == [
        ("oak", 1), ("oak", 2), ("oak", 3)]  # fmt: skip


def test_up_to_here_the_same_leaves_what_was_settled_before(study, naming):
    page = naming(study)
    first, _, last = page.find_elements(By.CSS_SELECTOR, "[data-of=instrument]")
    first.send_keys(Keys.CONTROL + "a")
    first.send_keys("oak" + Keys.ENTER)
    last.send_keys(Keys.CONTROL + "a")
    last.send_keys("yew")
    page.find_elements(By.CSS_SELECTOR, ".upto")[2].send_keys(Keys.ENTER)
    names = [field.get_attribute("value") for field in page.find_elements(By.CSS_SELECTOR, "[data-of=instrument]")]
    assert names == ["oak", "yew", "yew"]
    assert page.find_element(By.ID, "left").text == "All 3 takes are confirmed."


def test_what_was_written_outlives_the_page_and_a_take_may_be_left_out(study, naming):
    page = naming(study)
    name = page.find_element(By.CSS_SELECTOR, "[data-of=instrument]")
    name.send_keys(Keys.CONTROL + "a")
    name.send_keys("elm" + Keys.ENTER)
    page.find_elements(By.CSS_SELECTOR, "[data-of=out]")[1].send_keys(Keys.SPACE)
    page.refresh()
    page.execute_script(BLOB)
    assert page.find_element(By.ID, "left").text == "1 of 3 takes are not confirmed."
    rows = saved(page)[0].splitlines()
    assert len(rows) == 3
    assert "\telm\t" in rows[1]


def test_later_takes_join_and_what_stands_elsewhere_in_the_sheets_comes_back(study, naming):
    page = naming(study)
    page.find_element(By.ID, "all").send_keys(Keys.ENTER)
    put(study, saved(page))
    text = (study / "config/instruments.tsv").read_text("utf-8").splitlines()
    lines = [dict(zip(text[0].split("\t"), line.split("\t"), strict=True)) for line in text[1:]]
    lines[0] |= {"price": "12,50", "comment": STRANGE}
    (study / "config/instruments.tsv").unlink()
    write_sheet(study / "config/instruments.tsv", "instruments", lines)
    before = load_study(study)
    later = study.parent / "later"
    later.mkdir()
    soundfile.write(later / "New Recording 3.wav", np.zeros(8000), 8000)
    add_recordings(study, later)
    page = naming(study)
    assert len(page.find_elements(By.TAG_NAME, "fieldset")) == 1
    name = page.find_element(By.CSS_SELECTOR, "[data-of=instrument]")
    name.send_keys(Keys.CONTROL + "a")
    name.send_keys(before.recordings[0]["instrument"] + Keys.ENTER)
    put(study, saved(page))
    after = load_study(study)
    assert after.recordings[:3] == before.recordings
    assert after.instruments == before.instruments
    assert (after.recordings[3]["instrument"], after.recordings[3]["take"]) == (before.recordings[0]["instrument"], 1)


@pytest.mark.parametrize("width", [360, 1440])
def test_accessible_and_as_wide_as_the_screen(study, naming, width):
    page = naming(study, width)
    assert violations(page) == []
    assert page.execute_script("return document.documentElement.scrollWidth") <= width


def test_a_strange_name_is_text(recorded, tmp_path, naming):
    folder = tmp_path / "audio"
    folder.mkdir()
    (folder / '<img src=x onerror="document.title=1">.wav').write_bytes(b"")
    new_study(tmp_path / "study", folder, "oboe")
    page = naming(tmp_path / "study")
    assert page.find_elements(By.TAG_NAME, "img") == []
    assert "<img src=x" in page.find_element(By.TAG_NAME, "legend").text
    page.find_element(By.CSS_SELECTOR, ".play").send_keys(Keys.ENTER)
    WebDriverWait(page, 20).until(lambda p: "cannot play" in p.find_element(By.ID, "playing").text)
