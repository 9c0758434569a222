"""What is written from the lists of measures and criteria says what they say, and the lists are complete."""

import pytest
import yaml

from evenbore.facts.columns import TABLES
from evenbore.facts.criteria import CRITERIA, MEASURED, PRIORITIES
from evenbore.facts.days import DAY_KINDS, DAY_WORDS
from evenbore.facts.flags import FLAGS
from evenbore.facts.measures import MEASURES
from evenbore.run.docs import written


@pytest.mark.parametrize("path", written(), ids=lambda path: path.name)
def test_what_is_written_from_the_lists_is_up_to_date(path):
    text = path.read_text(encoding="utf-8")
    assert text == written()[path], "run: python -m evenbore.run.docs (with scripts on the import path)"


def test_the_config_and_its_page_hold_the_defaults_of_every_criterion(repo):
    config = yaml.safe_load((repo / "config/config.yaml").read_text(encoding="utf-8"))
    assert config["just_noticeable"] == {c.name: c.just_noticeable for c in MEASURED}
    assert list(config["priorities"]) == list(PRIORITIES)
    given = {(name, c.name): weight for c in MEASURED for name, weight in c.weights.items()}
    found = {(name, c): weight for name, weights in config["priorities"].items() for c, weight in weights.items()}
    assert found == given
    rows = (repo / "config/README.md").read_text(encoding="utf-8")
    assert all(f"| … `{name}` |" in rows for name in (*(c.name for c in MEASURED), *DAY_KINDS))
    assert config["own_days"] == DAY_KINDS


def test_kinds_of_own_days_have_words_and_criteria_have_a_kind():
    assert DAY_WORDS.keys() == DAY_KINDS.keys()
    assert {c.day_kind for c in MEASURED} == DAY_KINDS.keys()
    assert [c.name for c in CRITERIA.values() if not c.day_kind] == ["total_cost"]


def test_every_measure_says_what_it_is():
    assert len({m.name for m in MEASURES}) == len(MEASURES)
    for measure in MEASURES:
        assert measure.unit and measure.definition and measure.source, measure.name
        assert measure.better in ("lower", "higher", "target", "neutral"), measure.name
        assert "|" not in measure.definition, "a bar would break the table"


def test_measures_are_columns_of_the_notes_and_flags_are_explained_there():
    columns = {column.name: column for column in TABLES["notes"]}
    for measure in MEASURES:
        assert (columns[measure.name].unit, columns[measure.name].meaning) == (measure.unit, measure.definition)
    assert all(word in columns["flags"].meaning for word in FLAGS)
