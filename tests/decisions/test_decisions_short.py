"""What verdicts, intervals and probabilities have to reach, on a part of the campaign (docs/decisions.md has all).

The truth is drawn, so it is known; the bars are those of the campaign, widened by what so few studies scatter.
"""

import io

import pytest

from . import campaign

pytestmark = pytest.mark.slow
STUDIES = 40


@pytest.fixture(scope="module")
def results():
    return campaign.run(STUDIES, 300, tell=io.StringIO())


def test_identical_instruments_rarely_differ(results):
    # 5 % of all studies of each kind; of 40, more than 6 would be found once in 200 times
    for row in results["alike"]:
        if row["day"] <= 1:
            assert row["false"] <= 6, row
    near = [row for row in results["alike"] if row["day"] <= 1]
    assert sum(row["false"] for row in near) <= 0.05 * STUDIES * len(near)
