"""What the diagnosis has to reach, on a small part of the campaign."""

from dataclasses import replace

import pytest

from rendering.render import find_soundfont

from . import campaign, plans
from .sampled import SOUNDFONTS
from .tables import told

pytestmark = pytest.mark.slow


def test_runs_in_simulated_instruments():
    lines = campaign.run(list(plans.runs((None,), 1)))
    faulty, healthy = lines[lines["planted"] == "run"], lines[lines["planted"] == "nothing"]
    assert not told(healthy).any()
    assert told(faulty).sum() >= 7
    assert (faulty.loc[told(faulty), "top_off"].abs() <= 1).sum() >= 7


def test_runs_in_a_sampled_instrument(require_program, require_file):
    require_program("fluidsynth")
    require_file("fluid-soundfont-gm", find_soundfont(SOUNDFONTS[0]) or SOUNDFONTS[0])
    study = next(iter(plans.runs(SOUNDFONTS[:1], 1)))
    lines = campaign.run([replace(study, instruments=8)])  # of 12, for each has to be played and measured
    faulty = lines[lines["planted"] == "run"]
    assert told(faulty).all()
    assert (faulty["top_off"] == 0).all()
    assert not told(lines[lines["planted"] == "nothing"]).any()


def test_a_shipment_of_forty():
    table = campaign.decisions(next(iter(plans.shipments((None,), 1))))
    assert (table.loc[table["planted"] != "", "decision"] == "bench").sum() >= 5
    assert (table.loc[table["planted"] == "", "decision"] == "bench").sum() <= 1
