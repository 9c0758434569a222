import numpy as np
import pandas as pd
import pytest

from evenbore.compare import cluster
from evenbore.files.tables import conform


def two_kinds(rng, apart, count=12, features=40):
    """Profiles of two kinds of instruments, `apart` standard deviations in every feature."""
    kind = np.arange(count) % 2
    return rng.normal(size=(count, features)) + apart * kind[:, None], kind


def test_two_kinds_are_found_whatever_the_units():
    profiles, kind = two_kinds(np.random.default_rng(1), apart=3.0)
    found = cluster.cluster(profiles * np.linspace(0.01, 100, 40) + 7.0, seed=1)
    assert found.reason == ""
    assert len(set(zip(found.labels, kind, strict=True))) == 2
    assert (found.stability >= 0.75).all()


@pytest.mark.parametrize("features", [3, 40])
def test_gaussian_noise_has_no_structure(features):
    # At most the stated 5 % of structureless studies may pass the silhouette test; 8 drawn.
    rng = np.random.default_rng(2)
    with_structure = [cluster.cluster(rng.normal(size=(12, features)), seed=k).labels is not None for k in range(8)]
    assert sum(with_structure) <= 1


def test_without_structure_the_table_is_empty_but_for_the_map():
    wide = pd.DataFrame(np.random.default_rng(3).normal(size=(12, 20)), index=[f"x{i}" for i in range(12)])
    table, reason = cluster.cluster_table(wide, seed=1)
    table = conform(table, "clusters")
    assert table["cluster"].isna().all() and table["stability"].isna().all()
    assert table[["pc1", "pc2"]].notna().all(axis=None)
    assert "chance" in reason


def test_one_instrument_apart_is_no_group():
    profiles = np.random.default_rng(9).normal(size=(12, 40))
    profiles[3] += 12.0
    found = cluster.cluster(profiles, seed=1)
    assert found.labels is None and "one instrument stands apart" in found.reason


def test_few_instruments_are_not_clustered():
    found = cluster.cluster(np.random.default_rng(4).normal(size=(4, 10)), seed=1)
    assert found.labels is None
    assert found.reason == "too few instruments to look for clusters: 4 of 6"


def test_components_are_those_of_the_correlation_matrix():
    # two features of correlation r: the components' variances are 1 + r and 1 - r
    rng = np.random.default_rng(5)
    x = rng.normal(size=(200, 2)) @ np.array([[1.0, 0.6], [0.0, 0.8]])
    scores = cluster.principal_components(x * [1.0, 50.0])
    r = np.corrcoef(x.T)[0, 1]
    assert scores.var(axis=0) == pytest.approx([1 + r, 1 - r])


def test_constant_features_do_not_count():
    x = np.random.default_rng(6).normal(size=(8, 3))
    with_constant = np.column_stack([x, np.full(8, 5.0)])
    assert cluster.principal_components(with_constant) == pytest.approx(cluster.principal_components(x))


def test_profile_matrix_keeps_shared_notes_and_drops_the_offset():
    rows = [
        ("x1", 60, "cents", 10.0, 1), ("x1", 61, "cents", 14.0, 1), ("x1", 62, "cents", 99.0, 1),
        ("x2", 60, "cents", -3.0, 1), ("x2", 61, "cents", -1.0, 1),
        ("x1", 60, "brightness_matched_db", -20.0, 1), ("x2", 60, "brightness_matched_db", -22.0, 1),
    ]  # fmt: skip
    profiles = pd.DataFrame(rows, columns=["instrument", "midi", "measure", "value", "group"])
    wide = cluster.profile_matrix(profiles)
    assert wide["cents"].to_numpy() == pytest.approx(np.array([[-2.0, 2.0], [-1.0, 1.0]]))
    assert wide["brightness_matched_db"][60].to_list() == [-20.0, -22.0]
    unlinked = profiles.assign(group=np.where(profiles["instrument"] == "x1", 1, 2))
    assert set(cluster.profile_matrix(unlinked).columns.get_level_values("measure")) == {"cents"}


def test_kinds_of_instruments_are_clustered_apart():
    # two kinds of flute; oboes, with other notes, are too few to be clustered
    profiles = two_kinds(np.random.default_rng(1), apart=3.0)[0]
    wide = pd.DataFrame(profiles, index=[f"x{i}" for i in range(12)]).rename_axis("instrument")
    flutes = wide.melt(var_name="midi", ignore_index=False).reset_index()
    oboes = flutes[flutes["instrument"].isin(["x0", "x1"])].assign(midi=lambda f: f["midi"] + 100)
    oboes["instrument"] = "o" + oboes["instrument"]
    rows = pd.concat([flutes, oboes]).assign(measure="brightness_matched_db", group=1)
    families = {name: "oboe" if name.startswith("o") else "flute" for name in rows["instrument"].unique()}
    table, reasons = cluster.clusters_by_family(rows, families, seed=1)
    table = conform(table, "clusters").set_index("instrument")
    assert table.loc[["ox0", "ox1"], "cluster"].isna().all()
    assert table.loc[wide.index, "cluster"].nunique() == 2
    assert reasons == {"flute": "", "oboe": "too few instruments to look for clusters: 2 of 6"}


def test_axes_are_named_after_what_grows_along_them():
    rng = np.random.default_rng(8)
    bright, slope = rng.normal(size=(2, 10))
    notes = np.linspace(-1, 1, 20)
    measures = {"brightness_matched_db": bright[:, None] + 0 * notes, "cents": slope[:, None] * notes}
    wide = pd.concat({m: pd.DataFrame(v + 0.1 * rng.normal(size=v.shape)) for m, v in measures.items()}, axis=1)
    assert cluster.axis_words(wide, pd.Series(bright)) == "richer in treble"
    assert cluster.axis_words(wide, pd.Series(-slope)) == "flatter in high notes than in low"
    assert cluster.axis_words(wide, pd.Series([1.0, -1] * 5)) == "no single trait"


def test_many_small_groups_are_joined_to_few_enough_to_read():
    rng = np.random.default_rng(8)
    middles = np.repeat(rng.normal(size=(20, 6)), 3, axis=0)
    found, _ = cluster.partitions(10 * middles + rng.normal(size=middles.shape))
    assert [labels.max() for labels in found] == list(range(2, cluster.MOST_CLUSTERS + 1))


NOTES = np.linspace(-1, 1, 32)
SHAPES = np.array([np.ones(32), NOTES, NOTES**2 - 1 / 3])  # of what instruments differ by over the notes


def curves(rng, count, sd):
    """Curves (count, 3 x 32) of three measures over the notes, smooth, of the standard deviation `sd` at a note."""
    shape = SHAPES / np.sqrt((SHAPES**2).mean(axis=1).sum())
    return np.hstack([rng.normal(0, sd, (count, 3)) @ shape for _ in range(3)])


def three_kinds(rng):
    """Twelve instruments, four of each of three kinds that lie three times as far apart as theirs do, and scatter of
    the measurement from note to note."""
    kind = np.arange(12) % 3
    return curves(rng, 3, 3.0)[kind] + curves(rng, 12, 1.0) + rng.normal(0, 0.7, (12, 96)), kind


def test_three_kinds_are_mostly_found_as_three():
    # measured: of 50 such studies 42 found as these three, 6 as two or four kinds, 2 not at all
    right = 0
    for seed in range(6):
        profiles, kind = three_kinds(np.random.default_rng([seed, 5]))
        labels = cluster.cluster(profiles, seed).labels
        right += labels is not None and len(set(zip(labels, kind, strict=True))) == 3 == labels.max()
    assert right >= 3


@pytest.mark.parametrize("traits", [0, 2])
def test_instruments_of_one_kind_are_hardly_ever_split(traits):
    # measured: without a common trait 5 of 140 at a limit of 5 %, with two strong ones 2 of 60 at that of 2.5 %
    found = 0
    for seed in range(6):
        rng = np.random.default_rng([seed, 6])
        common = 3 * rng.normal(size=(12, traits)) @ rng.normal(size=(traits, 96)) if traits else 0.0
        found += cluster.cluster(common + rng.normal(size=(12, 96)), seed).labels is not None
    assert found <= 1
