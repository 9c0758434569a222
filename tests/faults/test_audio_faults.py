"""Five hundred malformed and odd recordings: each is measured, warned of or set aside with the right reason."""

import subprocess
import sys
from pathlib import Path

import pytest

from faults.audio_corpus import LIGHT, cases
from faults.outcome import FINE, load, without_privileges

pytestmark = pytest.mark.slow


@pytest.fixture(scope="module")
def outcomes(tmp_path_factory):
    folder = tmp_path_factory.mktemp("audio_faults")
    before = without_privileges()
    if before is None:
        pytest.skip("needs setpriv")
    campaign = Path(__file__).with_name("audio_campaign.py")
    done = subprocess.run([*before, sys.executable, campaign, folder], capture_output=True, text=True)
    assert done.returncode == 0, done.stderr[-4000:]
    return {outcome.name: outcome for outcome in load(folder / "outcomes.json")}


def test_there_are_three_hundred_and_more_and_every_file_is_told_of(outcomes):
    names = [case.name for case in cases() if case.weight == LIGHT]
    assert len(set(names)) == len(names) >= 300
    assert set(outcomes) == set(names)


def test_every_file_is_treated_as_it_should_be(outcomes):
    assert [outcome for outcome in outcomes.values() if outcome.verdict != FINE] == []
