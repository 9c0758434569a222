"""More instruments than are shown: nothing lost, what is left out is said, and where it is."""

import base64
import dataclasses
import json
import re
import zlib
from collections import Counter

import openpyxl
import pandas as pd
import pytest
from matplotlib.text import Text

from evenbore.facts.words import plain
from evenbore.figures.draw import drawn
from evenbore.figures.entries import FIGURES
from evenbore.files.tables import read_table
from evenbore.page import priorities
from evenbore.publication import quotes
from evenbore.report import words, workbook
from evenbore.report.results import CURVES, read_results
from evenbore.study.sheets import load_study

ARTICLE = re.compile(r'<article class="instrument" aria-labelledby="i-(\w+)">.*?</article>', re.DOTALL)


def page_of(folder):
    return (folder / "results/report.html").read_text("utf-8")


def data_of(html, name):
    return json.loads(re.search(f'<script type="application/json" id="{name}">(.*?)</script>', html, re.DOTALL)[1])


def sections(html):
    return {found[1]: found[0] for found in ARTICLE.finditer(html)}


@pytest.fixture(scope="module")
def few(many):
    return read_results(load_study(many), many / "results/tables")


def test_the_first_are_shown_and_all_others_folded_up_whole(many, few, report):
    html, whole = page_of(many), sections(page_of(report))
    assert few.shown == few.order[:3]
    assert list(sections(html)) == few.shown
    folded = {name: zlib.decompress(base64.b64decode(packed)).decode("utf-8")
              for name, _, packed in data_of(html, "folded-data")}  # fmt: skip
    assert list(folded) == few.order[3:]
    assert len(whole) == 7
    for name, section in (sections(html) | folded).items():
        assert section.split() == whole[name].split()


@pytest.mark.parametrize("name", FIGURES)
def test_every_figure_shows_the_first_alone(few, name):
    left_out = {few.label(one) for one in few.order[3:]}
    with drawn(few, name) as figure:
        figure.canvas.draw()  # some labels come with the axes
        assert not left_out & {text.get_text() for text in figure.findobj(Text)}


def test_the_table_holds_every_instrument(many, few):
    body = re.search(r'<table id="comparison".*?</table>', page_of(many), re.DOTALL)[0]
    assert re.findall(r'<th scope="row".*?href="#i-(\w+)"', body) == few.order


def test_what_is_left_out_is_said_with_its_place(many, report):
    html, whole = page_of(many), page_of(report)
    said = "the first in rank: 3 of 7 instruments"
    assert f"<p>The figures show {said}; the tables hold all." in html
    assert f"<p>Written out below are {said}." in html
    pairs = f"<p>To choose from are {said}. The other pairs that were compared are in results/tables/pairs.tsv."
    assert pairs in html
    assert "results/publication/sheets has a page (PDF) of every instrument" in html
    assert "3 of 7" not in whole and 'id="folded-data"' not in whole


def test_pairs_are_those_of_the_instruments_shown(many, few):
    rows = data_of(page_of(many), "pair-data")["rows"]
    all_pairs = read_table(many / "results/tables/pairs.tsv", "pairs")
    own = all_pairs[all_pairs["instrument_a"].isin(few.shown) & all_pairs["instrument_b"].isin(few.shown)]
    assert 0 < len(own) < len(all_pairs)
    assert len(rows) == len(own)


def test_the_workbook_holds_those_shown_and_says_where_the_others_are(many, few):
    book = openpyxl.load_workbook(many / "results/comparison.xlsx")
    header, *rows = book["pairs"].values
    rows = [dict(zip(header, row, strict=True)) for row in rows]
    told = "The first 3 of 7 instruments. All rows: results/tables/pairs.tsv"
    assert next(iter(rows.pop().values())) == told == book["pairs"]["A1"].comment.text
    assert {row[owner] for row in rows for owner in ("instrument_a", "instrument_b")} <= set(few.shown)
    whole = read_table(many / "results/tables/pairs.tsv", "pairs")
    assert len(rows) == whole[["instrument_a", "instrument_b"]].isin(few.shown).all(axis=1).sum()
    assert book["summary"].max_row == 8
    assert {row[0] for row in book["criteria"].values} > set(few.order)


def test_a_sheet_ends_where_the_file_format_ends(results, tmp_path, monkeypatch):
    monkeypatch.setattr(workbook, "MOST_ROWS", 70)
    workbook.write_workbook(results, tmp_path / "short.xlsx")
    rows = list(openpyxl.load_workbook(tmp_path / "short.xlsx")["criteria"].values)
    whole = read_table(results.tables.folder / "instruments.tsv", "instruments")
    assert len(rows) == 70
    assert [row[0] for row in rows[1:-1]] == whole["instrument"][:68].tolist()
    assert rows[-1][0] == "The first 68 rows: a sheet holds no more. All rows: results/tables/instruments.tsv"


def test_verdicts_are_counted_over_all_pairs(few, many):
    pairs = read_table(many / "results/tables/pairs.tsv", "pairs")
    criterion = pairs.loc[pairs["verdict"] == "differs", "criterion"].iloc[0]  # of the others the sentence is shorter
    all_pairs, shown = (table[table["criterion"] == criterion] for table in (pairs, few.tables["pairs"]))
    assert len(shown) < len(all_pairs)
    verdicts = Counter(all_pairs["verdict"])
    start = f"{plain(criterion).capitalize()} (alto saxophone): "
    told = next(part for part in quotes.quotes(few).split("\n\n") if part.startswith(start))
    assert f"Of {len(all_pairs)} pairs" in told
    for verdict, said in quotes.VERDICTS.items():
        assert (f"{verdicts[verdict]} {said.of_pairs}" in told) == (verdict in verdicts)


def test_only_what_is_drawn_is_read_of_the_notes(few, many):
    whole = read_table(many / "results/tables/note_profiles.tsv", "note_profiles")
    read = few.tables["note_profiles"]
    wanted = whole[whole["measure"].isin(CURVES) & (whole["dynamic"] == "mf")]
    at_base = read[read["dynamic"] == "mf"].reset_index(drop=True)
    pd.testing.assert_frame_equal(at_base, wanted.reset_index(drop=True))
    assert set(read.loc[read["dynamic"] != "mf", "instrument"]) == set(few.shown)


def test_the_first_of_every_kind_are_shown(few):
    instruments = {name: row | {"family": "flute"} if name in few.order[4:] else row
                   for name, row in few.study.instruments.items()}  # fmt: skip
    mixed = dataclasses.replace(few, study=dataclasses.replace(few.study, instruments=instruments))
    assert mixed.shown == [few.order[0], few.order[1], few.order[4]]


def test_sentences_name_the_likeliest_and_count_the_others(few, monkeypatch):
    ranking = few.tables["ranking"]
    tied = dataclasses.replace(few, tables=few.tables | {"ranking": ranking.assign(p_first=1 / 7)})
    assert words.most_named(tied) == words.MOST_NAMED == 10
    monkeypatch.setattr(words, "MOST_NAMED", 2)
    told = next(
        part for part in quotes.quotes(tied).split("\n\n") if part.startswith("With the priorities of a beginner")
    )
    others = len(words.answers(tied)[0].leaders) - 2
    assert others > 0
    assert told.endswith(f" and {others} more.")


def test_of_very_many_instruments_the_page_has_the_first_draws(results, report, monkeypatch):
    drawn = report / "results/work/draws.npz"
    every = priorities.priorities_data(results, drawn)
    monkeypatch.setattr(priorities, "MOST_UTILITIES", 1)
    monkeypatch.setattr(priorities, "FEWEST_DRAWS", 50)
    first = priorities.priorities_data(results, drawn)
    assert (every["draws"], first["draws"]) == (4000, 50)
    for few_draws, all_draws in zip(first["pools"], every["pools"], strict=True):
        size = len(all_draws["criteria"]), -1, len(all_draws["instruments"])
        assert numbers(few_draws["utilities"]).reshape(size).shape[1] == 50
        assert (numbers(few_draws["utilities"]).reshape(size)
                == numbers(all_draws["utilities"]).reshape(size)[:, :50]).all()  # fmt: skip


def numbers(packed):
    """What `priorities.packed` packed: all low bytes, then all high bytes."""
    import numpy as np

    low, high = np.frombuffer(zlib.decompress(base64.b64decode(packed)), np.uint8).reshape(2, -1)
    return np.column_stack([low, high]).copy().view("<i2").ravel()
