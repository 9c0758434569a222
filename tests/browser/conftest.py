"""What the browser tests share: headless Chromium and the sample report, freshly loaded."""

import pytest
from selenium import webdriver

ARGUMENTS = (
    "--headless=new", "--no-sandbox", "--disable-gpu", "--disable-background-networking",
    "--disable-component-update", "--disable-sync", "--no-first-run", "--hide-scrollbars",
    "--force-prefers-reduced-motion",  # a click during a smooth scroll would miss
)  # fmt: skip


@pytest.fixture(scope="session")
def browser(require_program, tmp_path_factory):
    options = webdriver.ChromeOptions()
    options.binary_location = require_program("chromium", "chromium-browser", "google-chrome")
    for argument in (*ARGUMENTS, f"--user-data-dir={tmp_path_factory.mktemp('browser')}"):
        options.add_argument(argument)
    options.set_capability("goog:loggingPrefs", {"browser": "ALL", "performance": "ALL"})
    service = webdriver.ChromeService(require_program("chromedriver"))
    driver = webdriver.Chrome(options=options, service=service)
    yield driver
    driver.quit()


@pytest.fixture
def size(browser):
    """Function: set the width (and height) of the browser's window in CSS px."""

    def set_size(width, height=1200):
        metrics = {"width": width, "height": height, "deviceScaleFactor": 1, "mobile": width < 500}
        browser.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", metrics)

    return set_size


def enter(page, values):
    """Fill fields (CSS selector -> value) as by hand, in this order and all at once; options by their value or text."""
    page.execute_script(
        "for (const [selector, value] of Object.entries(arguments[0])) {"
        "  const field = document.querySelector(selector);"
        "  field.value = field.options"
        "    ? [...field.options].find((one) => one.value === value || one.text === value).value"
        "    : value;"
        "  for (const kind of ['input', 'change']) field.dispatchEvent(new Event(kind, { bubbles: true }));"
        "}", values,
    )  # fmt: skip


def loaded(browser, report):
    browser.get_log("browser"), browser.get_log("performance")
    browser.get("about:blank")  # an address that differs in its fragment alone would not load anew
    browser.get((report / "results/report.html").as_uri())
    return browser


@pytest.fixture
def page(browser, report, size):
    """The report, freshly loaded at 1440 px; the logs hold what happened since."""
    size(1440)
    return loaded(browser, report)


@pytest.fixture
def same(browser, report, size):
    """The report at 1440 px as an earlier test left it: for what does not depend on what was done there before."""
    size(1440)
    here = browser.current_url.partition("#")[0] == (report / "results/report.html").as_uri()
    return browser if here else loaded(browser, report)


@pytest.fixture
def with_script(browser, report, size):
    """Function: the report, freshly loaded at 1440 px with a script that runs before the page's own."""
    scripts = []

    def load(source):
        size(1440)
        script = browser.execute_cdp_cmd("Page.addScriptToEvaluateOnNewDocument", {"source": source})
        scripts.append(script["identifier"])
        return loaded(browser, report)

    yield load
    for script in scripts:
        browser.execute_cdp_cmd("Page.removeScriptToEvaluateOnNewDocument", {"identifier": script})
