"""From folders of recordings to reports as a new user goes: python tests/evenings/run.py [--short]

Renders the folders, gives the commands, names takes in the page by the keyboard alone, counts, and renews the table of
docs/recording.md. Needs fluidsynth, espeak-ng, chromium with chromedriver, and the package timgm6mb-soundfont.
"""

import csv
import shutil
import sys
import tempfile
from dataclasses import asdict
from pathlib import Path

REPO = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(REPO / "tests"), str(REPO / "scripts")]

import campaigns

campaigns.one_thread()

from selenium import webdriver
from selenium.webdriver.common.by import By
from selenium.webdriver.common.keys import Keys

from browser.conftest import ARGUMENTS
from evenings.folders import Found, TrueTake, User, compared, one_file, phone, serials, umlauts

BLOB = "const make = URL.createObjectURL; window.given = []; "
BLOB += "URL.createObjectURL = (blob) => { window.given.push(blob); return make(blob); };"
GIVEN = "Promise.all(window.given.map((b) => b.text())).then(arguments[0])"


def names_in_page(user: User, names: dict[int, str]) -> int:
    """Name the takes in the page: place of an instrument's last take -> name; none: all are right as they are. Puts the
    sheets it gives in place; returns the names written."""
    options = webdriver.ChromeOptions()
    options.binary_location = shutil.which("chromium")
    for argument in ARGUMENTS:
        options.add_argument(argument)
    with webdriver.Chrome(options=options, service=webdriver.ChromeService(shutil.which("chromedriver"))) as page:
        page.get((user.study / "naming.html").as_uri())
        page.execute_script(BLOB)
        fields = page.find_elements(By.CSS_SELECTOR, "[data-of=instrument]")
        for place, name in names.items():
            fields[place].send_keys(Keys.CONTROL + "a")
            fields[place].send_keys(name + Keys.SHIFT + Keys.ENTER)
        if not names:
            page.find_element(By.ID, "all").send_keys(Keys.ENTER)
        assert page.find_element(By.ID, "left").text.startswith("All ")
        for button in ("recordings", "instruments-sheet"):
            page.find_element(By.ID, button).send_keys(Keys.ENTER)
        texts = page.execute_async_script(GIVEN)
    for kind, text in zip(("recordings", "instruments"), texts, strict=True):
        (user.study / f"config/{kind}.tsv").write_text(text, encoding="utf-8")
    return len(names)


def to_report(user: User, takes: list[TrueTake], before: Found, typed: str, seconds: float) -> dict:
    """Check and run; what was counted. `before`: as `new` left it."""
    user.gives("check")
    user.gives("run", "--cores", "1")
    assert (user.study / "results/report.html").is_file()
    with (user.study / "results/tables/recordings.tsv").open(encoding="utf-8", newline="") as file:
        usable = sum(row["status"] != "set_aside" for row in csv.DictReader(file, delimiter="\t"))
    after = compared(list(user.rows()), takes)
    return asdict(before) | {
        "commands": user.commands, "cells": user.cells, "typed": typed, "wrong_after": after.wrong, "usable": usable,
        "minutes": seconds / 60, "cpu_s": user.cpu_s,
    }  # fmt: skip


def run(short: bool) -> dict[str, dict]:
    """All folders; with `short` a few takes of each."""
    out = {}
    with tempfile.TemporaryDirectory(prefix="evenbore-evenings-") as name:
        for title, (render, count, few, visit) in FOLDERS.items():
            folder = Path(name) / render.__name__
            (folder / "audio").mkdir(parents=True)
            takes = render(folder / "audio", few if short else count)
            user = User(folder / "study")
            typed = visit(user, folder, takes)
            out[title] = to_report(user, takes, *typed, max(take.last_s for take in takes))
            print(title, out[title], flush=True)
    return out


def by_list(user: User, folder: Path, takes: list[TrueTake]) -> tuple[Found, str]:
    """A running list."""
    (folder / "list.txt").write_text("\n".join(take.instrument for take in takes), encoding="utf-8")
    user.cells += len(takes)
    user.gives("new", "--audio", folder / "audio", "--family", "clarinet_b_flat", "--order", folder / "list.txt")
    return compared(list(user.rows()), takes), "a running list for `--order`, a line each"


def as_named(user: User, folder: Path, takes: list[TrueTake]) -> tuple[Found, str]:
    """One button of the page."""
    user.gives("new", "--audio", folder / "audio", "--family", "flute")
    before = compared(list(user.rows()), takes)
    names_in_page(user, {})
    return before, "nothing: one button in `naming.html`"


def by_ear(user: User, folder: Path, takes: list[TrueTake]) -> tuple[Found, str]:
    """Each instrument's last take named in the page."""
    user.gives("new", "--audio", folder / "audio", "--family", "clarinet_b_flat")
    before = compared(list(user.rows()), takes)
    last = {take.instrument: place for place, take in enumerate(takes)}
    user.cells += names_in_page(user, {place: name for name, place in last.items()})
    return before, "a name for each instrument in `naming.html`, at its last take"


def in_workbook(user: User, folder: Path, takes: list[TrueTake]) -> tuple[Found, str]:
    """Prices with commas and signs, a date, a temperature, a room, typed into the workbook."""
    import openpyxl

    user.gives("new", "--audio", folder / "audio", "--family", "flute", "--workbook")
    before = compared(list(user.rows()), takes)
    book = openpyxl.load_workbook(user.study / "config/study.xlsx")
    for sheet, column, values in (
        ("instruments", "price", ["2.150,00 €", "1.890,50 €", "990 €"]), ("sessions", "date", ["3.5.2024"]),
        ("sessions", "temperature_c", ["21,5"]), ("sessions", "room", ["Saal, klein"]),
    ):  # fmt: skip
        heads = {cell.value: cell.column for cell in next(book[sheet].iter_rows(max_row=1))}
        for row, value in enumerate(values[: len({take.instrument for take in takes})], start=2):
            book[sheet].cell(row, heads[column]).value = value
            user.cells += column != "price"
    book.save(user.study / "config/study.xlsx")
    return before, "prices such as 2.150,00 €; a date, a temperature (21,5), a room"


FOLDERS = {
    "a phone's files, named by the clock": (phone, 6, 2, by_list),
    "a shop's serial numbers, one take each": (serials, 40, 4, as_named),
    "an evening in one file": (one_file, 160, 10, by_ear),
    "names with umlauts and commas, as a workbook": (umlauts, 9, 6, in_workbook),
}


def tables(results: dict[str, dict]) -> dict[str, str]:
    """The table of docs/recording.md."""
    rows = [
        (
            title, one["takes"], f"{one['found']}, {one['merged']}, {one['invented']}",
            ", ".join(f"`{word}`" for word in one["commands"]), one["cells"], one["typed"],
            f"{one['wrong']}, {one['wrong_after']}", f"{one['cpu_s']['new']:.0f} s, {one['cpu_s']['run'] / 60:.1f} min",
        )
        for title, one in results.items()
    ]  # fmt: skip
    header = ("folder", "takes", "found, merged, invented", "commands", "cells", "what was typed",
              "wrong without a mark, at the end", "CPU of `new`, `run`")  # fmt: skip
    return {"folders": campaigns.markdown(header, rows)}


if __name__ == "__main__":
    campaigns.command("recording", __doc__.splitlines()[0], run, tables)
