"""The registry of criteria is complete, and an entry that lacks what the ranking needs cannot be made."""

from dataclasses import replace

import pytest
import yaml

from evenbore.facts.criteria import BETTER, CRITERIA, GATES, LARGEST, MEASURED


@pytest.mark.parametrize("criterion", CRITERIA.values(), ids=lambda c: c.name)
def test_every_entry_says_what_it_is(criterion):
    words = ("unit", "good", "bad", "glossary", "meaning", "source", "missing")
    assert all(getattr(criterion, name) for name in words)
    assert criterion.better in BETTER
    assert criterion.glossary[0].isupper() and criterion.glossary.endswith(".")
    assert not any("|" in getattr(criterion, name) for name in words), "a bar would break the documents' tables"


@pytest.mark.parametrize("criterion", MEASURED, ids=lambda c: c.name)
def test_a_just_noticeable_difference_is_one_that_a_config_may_give(criterion):
    assert criterion.just_noticeable is None or 0 < criterion.just_noticeable <= LARGEST[criterion.unit]


@pytest.mark.parametrize("noticed", [None, 0])
def test_without_a_just_noticeable_difference_a_step_is_needed(noticed):
    with pytest.raises(ValueError, match="noise: without a just-noticeable difference it needs a step"):
        replace(CRITERIA["noise"], just_noticeable=noticed, step=None)


def test_weights_are_those_of_sets_that_there_are():
    with pytest.raises(ValueError, match="noise: no such priorities: beginners"):
        replace(CRITERIA["noise"], weights={"beginners": 10})


def test_gates_are_keys_of_the_config_and_the_budget(repo):
    schema = yaml.safe_load((repo / "workflow/schemas/config.schema.yaml").read_text(encoding="utf-8"))
    assert set(GATES) == {*schema["properties"]["gates"]["required"], "total_cost_max"}
