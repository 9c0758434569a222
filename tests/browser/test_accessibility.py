"""Accessibility by axe-core (WCAG 2.2 A and AA, best practices), light and dark, wide and narrow: no violations."""

import importlib.resources

import pytest
from selenium.webdriver.common.by import By
from selenium.webdriver.common.keys import Keys
from selenium.webdriver.support.ui import WebDriverWait

AXE = (importlib.resources.files("axe_playwright_python") / "axe.min.js").read_text("utf-8")


@pytest.fixture
def emulate(browser):
    """Function: emulate media features until the test ends."""

    def emulated(**features):
        listed = [{"name": name.replace("_", "-"), "value": value} for name, value in features.items()]
        browser.execute_cdp_cmd("Emulation.setEmulatedMedia", {"features": listed})

    yield emulated
    browser.execute_cdp_cmd("Emulation.setEmulatedMedia", {"features": []})


def violations(page, *within):
    """Rules that are broken within these parts of the page (all of it, where none is named), with the first places.

    Of the instruments the first stands for all, of the table of pairs one row in eight.
    """
    page.execute_script(AXE)
    page.set_script_timeout(300)
    return page.execute_async_script(
        "const [within, done] = arguments;"
        "const rows = [1, 2, 3, 4, 5, 6, 7].map((row) => `#pair-table tbody tr:nth-child(8n + ${row})`);"
        "const part = { exclude: ['.instrument ~ .instrument', ...rows] };"
        "if (within.length) part.include = within;"
        "axe.run(part, { resultTypes: ['violations'] }).then((r) =>"
        " done(r.violations.map((v) => [v.id, v.help, v.nodes.slice(0, 3).map((n) => n.html.slice(0, 200))])))", within,
    )  # fmt: skip


def test_no_violations(page, size, emulate):
    # the map is drawn once the page is idle
    WebDriverWait(page, 20).until(lambda _: page.find_elements(By.CSS_SELECTOR, "#map-grid .cell"))
    page.execute_script(
        "const one = document.getElementById('pair-a'); one.selectedIndex = 1;"
        "one.dispatchEvent(new Event('change', { bubbles: true }));"
        "document.querySelector('#map-grid .cell').dispatchEvent(new MouseEvent('click', { bubbles: true }));"
        "const folded = '.opening details, .instrument details, #all-pairs';"
        "document.querySelectorAll(folded).forEach((part) => { part.open = true; })"
    )
    for width, scheme in ((360, "light"), (1440, "dark")):
        size(width)
        emulate(prefers_color_scheme=scheme)
        assert violations(page) == [], (width, scheme)


def test_no_violations_during_a_blind_test(same):
    same.find_element(By.ID, "blind-start").click()
    assert violations(same, "section:has(#blind-start)") == []


def test_the_check_itself_finds_something(same):
    same.execute_script("document.querySelector('img').removeAttribute('alt')")
    assert "image-alt" in {rule for rule, *_ in violations(same, "figure:has(img)")}


def test_nothing_moves_for_those_who_want_no_movement(same, emulate):
    moves = "return getComputedStyle(document.documentElement).scrollBehavior"
    emulate(prefers_reduced_motion="reduce")
    assert same.execute_script(moves) == "auto"
    moving = (
        "return [...document.querySelectorAll('*')].filter((e) => { const s = getComputedStyle(e);"
        " return s.animationName !== 'none' || s.transitionDuration !== '0s'; }).length"
    )
    assert same.execute_script(moving) == 0
    emulate(prefers_reduced_motion="no-preference")
    assert same.execute_script(moves) == "smooth"


def test_the_keyboard_reaches_every_control_in_order_and_shows_where_it_is(page):
    # the page ranks by one's own priorities once it is idle
    WebDriverWait(page, 20).until(
        lambda _: page.find_elements(By.CSS_SELECTOR, "[aria-label^='Ranking by your priorities']")
    )
    wanted = page.execute_script(
        "const first = document.querySelector('.instrument');"
        "const all = document.querySelectorAll('a[href], button, input, select, summary, [tabindex=\"0\"]');"
        "return [...all].filter((e) =>"
        " e.compareDocumentPosition(first) & Node.DOCUMENT_POSITION_FOLLOWING && e.checkVisibility() && !e.disabled)"
    )
    page.execute_script(
        "window.reached = []; addEventListener('focusin', ({ target }) =>"
        " reached.push([target, target.outerHTML.slice(0, 200), getComputedStyle(target).outlineStyle]))"
    )
    page.find_element(By.TAG_NAME, "body").send_keys(Keys.TAB * len(wanted))
    for control, (active, html, outline) in zip(wanted, page.execute_script("return reached"), strict=True):
        assert active == control, (html, control.get_attribute("outerHTML")[:200])
        assert outline != "none", html
