"""What a paper needs: exports that open anywhere, every column explained, a methods text of the actual settings."""

import csv
import io
import re

import pandas as pd
import pytest
import yaml

import evenbore
from evenbore.report import paper as module
from evenbore.report.paper import as_csv, citation, dictionary, methods_text, write_paper
from evenbore.report.results import read_results
from evenbore.study.sheets import load_study


@pytest.fixture(scope="module")
def study(report):
    return report


@pytest.fixture(scope="module")
def written(study, tmp_path_factory):
    folder = tmp_path_factory.mktemp("paper")
    results = read_results(load_study(study), study / "results/tables")
    write_paper(results, study / "results/work/takes.parquet", study / "results/work/notes.parquet", folder)
    return folder


def test_every_export_opens_with_its_columns_explained(written):
    explained = pd.read_csv(written / "data_dictionary.csv")
    for path in written.glob("*.csv"):
        frame = pd.read_csv(path)
        if path.name != "data_dictionary.csv":
            own = explained[explained["file"] == path.name]
            assert list(own["column"]) == list(frame.columns)
            assert own["meaning"].notna().all()


def test_takes_are_tidy_and_hold_the_factors(written):
    takes = pd.read_csv(written / "takes.csv")
    assert not takes.duplicated(["recording", "criterion"]).any()
    assert set(takes["body_material"].dropna()) == {"brass <b>", "silver & gold"}


def test_takes_give_the_same_values_as_the_analysis(written, study):
    takes = pd.read_csv(written / "takes.csv")
    analysed = pd.read_parquet(study / "results/work/takes.parquet")
    raw = (analysed["value"] + analysed["session_offset"]).to_numpy()
    assert takes["value"].to_numpy() == pytest.approx(raw, rel=1e-5, abs=1e-6)


def test_texts_are_no_formulas():
    frame = pd.DataFrame(
        {"label": ["=1+1", "+2", "-3", "@x", "plain", "\tx", None], "value": [-1.5, 2, 3, 4, 5, 6, None]}
    )
    rows = list(csv.reader(io.StringIO(as_csv(frame))))
    assert [row[0] for row in rows[1:]] == ["'=1+1", "'+2", "'-3", "'@x", "plain", "'\tx", ""]
    assert rows[1][1] == "-1.5" and rows[-1][1] == ""


def test_methods_text_follows_the_settings(study):
    sheets = load_study(study)
    read = read_results(load_study(study), study / "results/tables").tables
    text = methods_text(sheets, read)
    assert f"evenbore {evenbore.__version__}" in text
    assert "The effect of body material was tested, with the instrument" in text
    assert "Just-noticeable difference: 5 cents" in text
    sheets.config["just_noticeable"]["tuning_offset"] = 7
    read["criteria"].loc[read["criteria"]["criterion"] == "tuning_offset", "just_noticeable"] = 7
    assert "Just-noticeable difference: 7 cents" in methods_text(sheets, read)
    assert "The effect of" not in methods_text(sheets, read | {"factors": read["factors"].iloc[:0]})


def test_dictionary_tells_number_from_text():
    found = dictionary({"variance.csv": pd.DataFrame({"component": ["take"], "sd": [1.0]})})
    assert list(found["type"]) == ["text", "number"]


def test_citation_file_is_the_repositorys(repo):
    assert (repo / "CITATION.cff").read_text("utf-8") == citation()
    read = yaml.safe_load(citation())
    assert read["version"] == evenbore.__version__ and read["license"] == "MIT"
    # the keys that the Citation File Format 1.2.0 demands (from memory)
    assert {"cff-version", "message", "title", "authors"} <= set(read)


def test_every_reference_is_cited_and_every_citation_listed(study):
    read = read_results(load_study(study), study / "results/tables").tables
    text, references = methods_text(load_study(study), read).split("## References")
    listed = [line.removeprefix("- ") for line in references.strip().splitlines()]
    keys = {reference: key for key, reference in module.REFERENCES.items()}
    assert all(keys[reference] in text for reference in listed)
    # a name or names with a year, as "Lahdelma & Salminen 2001", "Gelman et al. 2013" or a standard
    names = r"(?:ter )?[A-Z][a-z]+(?:, [A-Z][a-z]+)*(?: & [A-Z][a-z]+| et al\.)?"
    cited = set(re.findall(rf"\b{names} (?:19|20)\d\d\b|ISO [\d-]+:\d+", text.replace("\n", " ")))
    assert cited == {keys[reference] for reference in listed}
    assert len(cited) >= 10
    assert "memory" not in text + references


def test_methods_tell_ranking_equivalence_and_adjustment_as_used(study):
    sheets = load_study(study)
    read = read_results(load_study(study), study / "results/tables").tables
    text = methods_text(sheets, read)
    assert f"in {sheets.config['draws']} draws" in text
    assert "soloist (intonation spread 20" in text
    assert "two one-sided tests: Schuirmann 1987" in text
    assert "Benjamini & Bogomolov 2014" in text
