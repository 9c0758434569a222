import numpy as np
import pandas as pd
import pytest
from scipy.optimize import minimize_scalar
from scipy.stats import norm

from evenbore.facts.measures import brightness_db
from evenbore.files.tables import conform
from evenbore.setups.comparability import session_groups
from evenbore.setups.harmonics import harmonic_arrays
from evenbore.setups.normalise import CHAIN_MEASURES, normalise
from evenbore.setups.responses import BAND_HZ, _below, estimate_setups
from simulate import study_tables

QUIET = {"cents": 0, "note_cents": 0, "level_db": 0, "tilt_db": 0, "harmonic_db": 0, "attack": 0}


def steep(frequency_hz):
    """A phone: -12 dB of gain, 6 dB per octave lost above 3 kHz and below 300 Hz."""
    f = np.asarray(frequency_hz, float)
    return -12.0 - 10 * np.log10(1 + (f / 3000) ** 2) - 10 * np.log10(1 + (300 / f) ** 2)


def run(tables):
    return normalise(tables["recordings"], tables["notes"], [tables["harmonics"]])


def test_noiseless_links_give_the_true_difference_of_the_chains():
    # Bends of the true chain between the mid-bands are all that can be left: a few hundredths of a dB.
    tables = study_tables(
        {"hall": ["ref", "a"], "phone": ["ref", "b"]}, takes=2, take_sd=QUIET, noise_floor_db=-150,
        chains={"hall": lambda f: np.zeros_like(f), "phone": steep},
    )  # fmt: skip
    setups = run(tables).setups
    assert setups.response_db.sum(axis=0)[np.isfinite(setups.response_db[0])] == pytest.approx(0, abs=1e-6)
    inside = np.isfinite(setups.response_db[0]) & (BAND_HZ > 150) & (BAND_HZ < 12000)
    assert (setups.response_db[1] - setups.response_db[0])[inside] == pytest.approx(steep(BAND_HZ)[inside], abs=0.1)


def test_the_same_instrument_through_two_chains_measures_alike_after_normalisation():
    tables = study_tables(
        {"hall": ["ref", "a"], "phone": ["ref", "b"]}, twins={"b": "a"}, take_sd=QUIET, noise_floor_db=-150,
        chains={"hall": lambda f: np.zeros_like(f), "phone": steep},
    )  # fmt: skip
    raw = tables["notes"].groupby(["instrument", "midi"])[["level_dbfs", "high_band_db", "centroid_hz"]].mean()
    flat = run(tables).notes.groupby(["instrument", "midi"])[["level_dbfs", "high_band_db", "centroid_hz"]].mean()
    assert np.abs(raw.loc["a"] - raw.loc["b"])["level_dbfs"].mean() > 10
    gap = np.abs(flat.loc["a"] - flat.loc["b"])
    assert gap["level_dbfs"].max() < 0.1
    assert gap["high_band_db"].max() < 0.2


def test_many_sessions_are_estimated_like_few():
    names = [f"s{number}" for number in range(9)]
    tables = study_tables({name: ["ref"] for name in names}, takes=2, written=(58, 70), take_sd=QUIET, n_harmonics=6)
    setups = run(tables).setups
    known = np.isfinite(setups.response_db[0]) & (BAND_HZ > 180) & (BAND_HZ < 1500)
    truth = np.array([tables["truth"]["chain"][name](BAND_HZ) for name in names])
    assert (setups.response_db - setups.response_db[0])[:, known] == pytest.approx(
        (truth - truth[0])[:, known], abs=0.3
    )


def test_unlinked_sessions_keep_their_levels_and_claim_no_error():
    tables = study_tables({"s1": ["a"], "s2": ["b"]})
    normalised = run(tables)
    assert normalised.notes["level_dbfs"].to_numpy() == pytest.approx(tables["notes"]["level_dbfs"].to_numpy())
    assert set(normalised.notes["group"]) == {1, 2}
    table = conform(normalised.setups.table(), "setups")
    assert (table["response_db"] == 0).all()
    assert table["response_se_db"].isna().all()


def test_recordings_set_aside_take_no_part():
    tables = study_tables({"s1": ["ref", "a"], "s2": ["ref", "b"]})
    spoilt = tables["recordings"]["recording"] == "s1_ref_mf_up_1"
    tables["recordings"].loc[spoilt, "status"] = "set_aside"
    clean = run(tables).setups.response_db
    tables["harmonics"].loc[tables["harmonics"]["recording"] == "s1_ref_mf_up_1", "level_db"] += 40
    assert run(tables).setups.response_db == pytest.approx(clean, nan_ok=True)


def test_a_few_wild_harmonics_do_not_move_the_response():
    tables = study_tables({"s1": ["ref", "a"], "s2": ["ref", "b"]}, seed=3)
    before = run(tables).setups.response_db
    hit = tables["harmonics"].index[::37]
    tables["harmonics"].loc[hit, "level_db"] += 25
    after = run(tables).setups.response_db
    # one harmonic in 37 is off by 25 dB, which would move a plain mean by 0.7 dB
    well_filled = (BAND_HZ > 180) & (BAND_HZ < 12000)
    assert np.abs(after - before)[:, well_filled].max() < 0.2


def test_a_session_that_shares_an_instrument_but_no_note_leaves_the_others_as_they_are():
    tables = study_tables({"s1": ["ref", "a"], "s2": ["ref", "a"], "s3": ["ref", "b"]}, seed=3, written=(62, 68))
    for name in ("recordings", "notes"):
        rows = tables[name]
        rows.loc[(rows["session"] == "s3") & (rows["instrument"] == "ref"), "dynamic"] = "p"
    setups = run(tables).setups
    assert np.isnan(setups.response_db[2]).all()
    two = {name: tables[name][tables[name]["session"] != "s3"] for name in ("recordings", "notes")}
    alone = run(tables | two | {"harmonics": tables["harmonics"].merge(two["recordings"]["recording"])}).setups
    for told, se in (
        (np.diff(one.response_db[:2], axis=0), np.diff(one.errors_db[:, :2], axis=1)) for one in (setups, alone)
    ):
        assert told == pytest.approx(np.diff(alone.response_db, axis=0), abs=0.1, nan_ok=True)
        assert np.sqrt((se**2).sum(axis=0)).max() < 3.0


def test_stated_errors_cover_the_truth():
    # 30 studies, every session and band: 90 % intervals by t with the takes' degrees of freedom; bands of a study
    # err together, so the share scatters widely about 0.9
    hits = []
    for seed in range(30):
        tables = study_tables(
            {"s1": ["ref", "a", "b"], "s2": ["ref", "c", "d"], "s3": ["ref", "e", "f"]}, seed=seed, written=(58, 77)
        )
        setups = run(tables).setups
        truth = np.array([tables["truth"]["chain"][s](BAND_HZ) for s in setups.sessions])
        truth -= truth.mean(axis=0)
        se = np.sqrt((setups.errors_db**2).sum(axis=0))
        known = np.isfinite(setups.response_db) & (BAND_HZ > 180) & (BAND_HZ < 8000)
        hits.append((np.abs(setups.response_db - truth) <= 1.734 * se)[known].mean())  # t(0.95, 18)
    assert 0.82 <= np.mean(hits) <= 0.97


def test_harmonics_hidden_by_noise_do_not_bend_the_response():
    """A microphone that loses 6 dB an octave in a noisy room: of its harmonics near the noise only the louder takes'
    show. Leaving the others out made its response 1 to 3 dB too strong there."""

    def muffled(frequency_hz):
        return -6 * np.log2(np.maximum(np.asarray(frequency_hz, float), 1000.0) / 1000.0)

    errors = []
    for seed in range(12):
        tables = study_tables(
            {"s1": ["ref", "a"], "s2": ["ref", "b"]}, noise_floor_db=-60, room_db=1.0, seed=seed,
            chains={"s1": lambda f: np.zeros_like(f), "s2": muffled},
        )  # fmt: skip
        response = run(tables).setups.response_db
        errors.append(response[1] - response[0] - muffled(BAND_HZ))
    errors = np.array(errors)[:, np.isfinite(errors).all(axis=0)]
    clear = errors[:, :9].mean()  # the takes' loudness
    assert errors[:, 1:].mean(axis=0) - clear == pytest.approx(0, abs=0.4)


def test_censored_means_are_of_greatest_likelihood():
    """Values of known scatter, those under a limit unseen: the same mean as scipy's optimiser finds."""
    limit, scatter = 0.3, 1.0
    seen = np.random.default_rng(3).normal(0, scatter, 40)
    censored = seen < limit
    y, mean = np.where(censored, limit, seen), seen[~censored].mean()
    for _ in range(30):
        y, weight = _below(np.full(40, limit), np.full(40, mean), scatter, censored, y, np.ones(40))
        mean = np.average(y, weights=weight)

    def cost(at):
        return -norm.logpdf(seen[~censored], at, scatter).sum() - censored.sum() * norm.logcdf(limit, at, scatter)

    assert mean == pytest.approx(minimize_scalar(cost, bounds=(-3, 3), method="bounded").x, abs=1e-4)


def test_a_link_that_shares_no_note_leaves_the_response_unknown():
    tables = study_tables({"s1": ["ref"], "s2": ["ref"]})
    notes = tables["notes"]
    low = (notes["session"] == "s1") & (notes["midi"] < 60)
    high = (notes["session"] == "s2") & (notes["midi"] >= 60)
    tables["notes"] = notes[low | high]
    setups = run(tables).setups
    assert np.isnan(setups.response_db).all()
    assert run(tables).notes["level_dbfs"].isna().all()


def test_estimate_recovers_offsets_exactly_on_any_connected_design():
    # y = a_i + b_j without noise: a chain of sessions joined pairwise (a connected, unbalanced design)
    offsets, rows = {"s1": 0.0, "s2": 5.0, "s3": -7.0}, []
    for session, names in {"s1": "ab", "s2": "bc", "s3": "cd"}.items():
        for name in names:
            for midi in range(50, 80):
                hz = 440 * 2 ** ((midi - 69) / 12)
                rows.append((name, session, midi, hz, ord(name) - 0.5 * midi + offsets[session]))
    frame = pd.DataFrame(rows, columns=["instrument", "session", "midi", "frequency_hz", "level_db"]).assign(
        state="x", dynamic="mf", articulation="slurred", direction="up", harmonic=1, above_noise_db=40.0, status="ok"
    )
    frame = frame.assign(recording=frame["session"] + frame["instrument"], step=frame["midi"])
    harmonics = harmonic_arrays(frame.assign(f0_hz=frame["frequency_hz"]), [frame])
    setups = estimate_setups(frame, harmonics, session_groups(frame))
    known = np.isfinite(setups.response_db[0])
    differences = setups.response_db[1:, known] - setups.response_db[0, known]
    assert differences == pytest.approx(np.broadcast_to([[5.0], [-7.0]], differences.shape), abs=1e-4)
    assert setups.errors_db is None  # no repeat takes: nothing to judge the error by


def test_a_study_in_which_nothing_was_measured():
    tables = study_tables({"s1": ["a", "b"], "s2": ["a", "c"]})
    recordings = tables["recordings"].assign(status="set_aside")
    found = normalise(recordings, tables["notes"].iloc[:0], iter([]))
    assert len(found.notes) == 0 and found.level_db.shape[0] == 0
    assert set(CHAIN_MEASURES) <= set(found.notes.columns)


def test_brightness_by_hand():
    # of 500 Hz the first harmonic passes by 1/257 and the fourth, 2 kHz, by half; equal parts: (1/2 + 1/257) / 2
    level = np.full((4, 4), np.nan)
    level[[0, 2], 0] = level[[1, 2], 3] = 0.0
    expected = 10 * np.log10([1 / 257, 1 / 2, (1 / 2 + 1 / 257) / 2])
    got = brightness_db(level, np.full(4, 500.0))
    assert got[:3] == pytest.approx(expected)
    assert np.isnan(got[3])


def test_every_chain_measure_is_one_column():
    assert len(set(CHAIN_MEASURES)) == len(CHAIN_MEASURES)
    tables = study_tables({"s1": ["a", "b"], "s2": ["a", "c"]})
    notes = normalise(tables["recordings"], tables["notes"], [tables["harmonics"]]).notes
    assert notes.columns.is_unique
    assert set(CHAIN_MEASURES) <= set(notes.columns)
