"""The page of definitions is what the list of measures says, and the list is complete."""

from evenbore.facts.columns import TABLES
from evenbore.facts.measures import FLAGS, MEASURES
from evenbore.run.docs import PAGE, measures_page


def test_the_page_is_up_to_date():
    written = PAGE.read_text(encoding="utf-8")
    assert written == measures_page(), "run: python -m evenbore.run.docs (with scripts on the import path)"


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
