"""How large the report is and how fast it opens and answers, with 12 and with 100 instruments of 6 takes.

    python benchmarks/report.py [12 100]

Studies at table level (tests/report_sample.py) with sound; needs chromium and chromedriver and the packages of
requirements-test.lock. Prints the file's size, the time until the page has loaded and until its own ranking stands,
and how long a changed weight, a sorted table and a choice of two instruments take.
"""

import argparse
import shutil
import sys
import tempfile
import time
from pathlib import Path

from selenium import webdriver
from selenium.webdriver.common.by import By
from selenium.webdriver.support.ui import WebDriverWait

sys.path[:0] = [str(Path(__file__).parents[1] / folder) for folder in ("scripts", "tests")]

import report_sample

PER_SESSION = 12
NOTE_S = 4.0  # nine notes of 4 s: clips as long as those of a real scale


def main() -> None:
    """Make the studies and print a line for each."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("instruments", type=int, nargs="*", default=[12, 100])
    report_sample.NOTE_S = NOTE_S
    print("instruments  MB    loaded s  ranked s  reweighted s  sorted s  two compared s")
    for count in parser.parse_args().instruments:
        with tempfile.TemporaryDirectory() as folder:
            report = make_report(Path(folder), count)
            size = report.stat().st_size / 1e6
            print(f"{count:11d}  {size:4.1f}  {'  '.join(f'{seconds:8.2f}' for seconds in timed(report))}", flush=True)


def make_report(folder: Path, count: int) -> Path:
    """A report of so many instruments, a reference in every session."""
    names = [f"i{k}" for k in range(1, count)]
    sessions = {
        f"s{k}": ["ref", *names[start : start + PER_SESSION - 1]]
        for k, start in enumerate(range(0, len(names), PER_SESSION - 1))
    }
    labels = {"ref": "House horn"} | {name: f"Horn {name[1:]}" for name in names}
    report_sample.make_report(report_sample.make_results(folder, sessions=sessions, labels=labels))
    return folder / "results/report.html"


def timed(report: Path) -> list[float]:
    """Seconds of each step, in the browser."""
    options = webdriver.ChromeOptions()
    options.binary_location = next(filter(None, map(shutil.which, ("chromium", "chromium-browser", "google-chrome"))))
    for argument in ("--headless=new", "--no-sandbox", "--disable-gpu", "--window-size=1440,900"):
        options.add_argument(argument)
    with webdriver.Chrome(options=options, service=webdriver.ChromeService(shutil.which("chromedriver"))) as browser:
        begun = time.perf_counter()
        browser.get(report.as_uri())
        steps = [time.perf_counter() - begun]
        ranked(browser)
        steps.append(time.perf_counter() - begun)
        for action in (
            "const f = document.querySelector('[data-weight=intonation_spread]'); f.value = 61;"
            "f.dispatchEvent(new Event('input', { bubbles: true }));",
            "document.querySelector('#comparison thead button').click(); document.body.offsetHeight;",
            "const b = document.getElementById('compare-b'); b.selectedIndex = b.length - 1;"
            "b.dispatchEvent(new Event('change', { bubbles: true })); document.body.offsetHeight;",
        ):
            begun = time.perf_counter()
            browser.execute_script(action)
            ranked(browser)
            steps.append(time.perf_counter() - begun)
    return steps


def ranked(browser) -> None:
    """Wait until the page's own ranking stands."""
    out = browser.find_element(By.ID, "own-result")
    WebDriverWait(browser, 60, poll_frequency=0.02).until(lambda _: out.get_attribute("aria-busy") == "false")


if __name__ == "__main__":
    main()
