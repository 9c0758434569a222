"""The study that these tests read: the sample one with the causes of contradictions found earlier in it."""

import pandas as pd
import pytest

from . import studies
from .outputs import read_study
from .rules import contradictions

# `c`, `d`: a note beyond its tolerance, by more than the scatter of a take or less; `e`: a run, and a note less sure
FINDINGS = [
    studies.finding("c", "intonation_outlier", "E6", "E6", 20.4, 0.63),
    studies.finding("d", "intonation_outlier", "C#5", "C#5", 28.0, 0.87, limit=25),
    studies.finding("e", "stuffy_run", "Bb3", "Bb4", -12.1, 0.81),
    studies.finding("e", "intonation_outlier", "Eb4", "Eb4", 20.8, 0.74),
    studies.finding("e", "cracking", "Bb5", "D6", 50.0, 0.98),
    studies.finding("e", "note_far_off", "A5", "A5", float("nan"), 0.99),
    studies.finding("c", "noisy", "Bb3", "F6", 3.4, 0.97),
]
SHARES = {"ref": 0.44, "b": 0.30, "d": 0.13, "c": 0.11, "e": 0.02, "a": 0.0}
SECONDS = ["ref", "b", "c", "e"]  # `d` is first more often than `c`, and else far behind it
CLIPPED = "clipped (1.1 % of the samples): turn the gain down until the loudest note peaks between -20 and -6 dB"


@pytest.fixture(scope="session")
def told(report, shared):
    """All takes of `b` are clipped; `f` is alone in its group."""

    def make(folder):
        recordings = studies.table(report, "recordings").astype({"reason": object})
        clipped = recordings["instrument"] == "b"
        recordings.loc[clipped, ["status", "reason", "clipped_fraction"]] = "warned", CLIPPED, 0.011
        tables = {"findings": pd.DataFrame(FINDINGS), "recordings": recordings}
        studies.written_out(report, folder, tables | studies.ranked(report, SHARES, SECONDS, "f"))

    return shared("told", make)


@pytest.fixture(scope="session")
def statements(told):
    """All that its outputs say."""
    return read_study(told)


@pytest.fixture(scope="session")
def found(statements):
    """What of that disagrees."""
    return contradictions(statements)
