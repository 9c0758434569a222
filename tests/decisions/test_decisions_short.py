"""What verdicts, intervals and probabilities have to reach, on a part of the campaign; docs/decisions.md has all of it.

The truth is drawn, so it is known. What so few studies scatter is allowed for beside each bar.
"""

import numpy as np
import pytest

from . import campaign, generator, judged

pytestmark = pytest.mark.slow
STUDIES = 4


def cell(sessions=1, shared=0, scatter="plain", **more):
    return {"sessions": sessions, "shared": shared, "scatter": scatter, **more}


@pytest.fixture(scope="module")
def results():
    usual = [cell(day=0.0), cell(3, 3, "real", day=0.3)]
    chosen = {
        "identical": usual,
        "different": usual,
        "power": usual[:1],
        "clusters": [cell(clusters=3)],
    }
    return campaign.run(STUDIES, campaign.DEVELOPMENT, jobs=1, cells=chosen)


def shares(rows, part, whole):
    """Of all rows and criteria together."""
    top, bottom = (sum(v for row in rows for key, v in row.items() if key.startswith(words)) for words in (part, whole))
    return top / bottom


def test_what_is_drawn_scatters_as_it_says():
    rng = np.random.default_rng(1)
    truth = generator.identical(rng)
    for kind in generator.KINDS.values():
        notes = generator.draw(rng, truth, generator.layout(1, 0), kind, takes=60).notes.query("dynamic == 'mf'")
        for quantity, (take, note) in generator.SCATTER.items():
            wide = notes.pivot(index="recording", columns="midi", values=generator.QUANTITIES[quantity])
            away = wide - wide.mean()
            offsets = away.mean(axis=1)
            # 3 % of outlying takes add a quarter to the offsets' variance, and a twelfth to that of notes
            wider = 1.27 if kind.outlying else 1.0
            assert offsets.std() == pytest.approx(take * wider**0.5, rel=0.2)
            assert away.sub(offsets, axis=0).stack().std() == pytest.approx(note, rel=0.2)
        missing = 1 - len(notes) / (12 * 60 * generator.WRITTEN.size)
        assert missing == pytest.approx(kind.missing, abs=0.003)


def test_the_last_instrument_differs_as_asked():
    truth = generator.identical(np.random.default_rng(2))
    sizes = {"tuning_offset": 5.0, "intonation_spread": 3.0, "noise": 1.0, "response": 10.0, "timbre_evenness": 1.2}
    values = judged.true_values(campaign.differing(truth, sizes))
    for criterion, size in sizes.items():
        assert values[criterion].iloc[:-1].std() == pytest.approx(0, abs=1e-9)
        assert values[criterion].iloc[-1] - values[criterion].iloc[0] == pytest.approx(size)


def test_identical_instruments_rarely_differ(results):
    rows = results["identical"]
    # 10 % to reach; more than 3 of 8 would be found once in 200 times
    assert sum(row.get("any", 0) for row in rows) <= 3


def test_intervals_hold(results):
    # 84 to 95 % to reach; intervals of one study hang together
    for part in ("identical", "different"):
        assert 0.82 <= shares(results[part], "covered", "intervals") <= 0.97


def test_differences_are_told(results):
    # 80 % of what one tells who knows the scatter
    assert shares(results["power"], "told", "oracle") >= 0.7


def test_first_places_come_true(results):
    said, stated, true = (shares(results["different"], word, "firsts") for word in ("said", "stated", "true"))
    said, stated, true = (share * STUDIES * 2 for share in (said, stated, true))
    # 8 % to reach, and twice what so few scatter
    assert abs(true - stated) / said <= 0.08 + 2 * 0.5 / said**0.5


def test_clusters_are_found(results):
    # 60 % to reach; none of 4 would be found once in 40 times
    assert sum(row.get("three", 0) for row in results["clusters"]) >= 1
