"""Which instruments resemble each other: hierarchical clusters of profiles, or none.

Conventions: a profile matrix (I, F) holds one instrument per row and one feature per column; every feature is scaled to
mean 0 and standard deviation 1 and the matrix turned to its principal components. Ward's linkage (Ward 1963, J. Am.
Stat. Assoc. 58, 236). From 2 clusters to a third of the instruments, MOST_CLUSTERS at most, are sought, k of them along
the first k - 1 components alone: the middles of k clusters lie in so many directions, and what instruments and takes
scatter along all the others would blur them. Their number is the one whose mean silhouette (Rousseeuw 1987, J. Comput.
Appl. Math. 20, 53) exceeds the usual one of structureless data most (after the gap statistic: Tibshirani, Walther &
Hastie 2001, J. R. Stat. Soc. B 63, 411, from memory).

Structureless data are normal with the same variance along each component, turned to their own components. That variance
holds the clusters' own too, which costs nothing along few components: clusters are tight in them, normal data are not.

Three things must hold, else there is no cluster structure, which is an answer and a common one:
- that excess beats 97.5 % of those of structureless data, each with its own best number of clusters;
- no cluster is of one instrument: a bad take sets one apart, and one is no group;
- every cluster comes again: the mean over bootstrap draws of the greatest Jaccard similarity is at least 0.75 for each
  (Hennig 2007, Comput. Stat. Data Anal. 52, 258).
"""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import cast

import numpy as np
import pandas as pd
from scipy.cluster.hierarchy import fcluster, linkage
from scipy.spatial.distance import pdist, squareform

from evenbore.facts.arrays import Floats, Ints
from evenbore.facts.columns import names
from evenbore.facts.measures import WORDINGS

PROFILE_MEASURES = ("cents", "level_dbfs", "brightness_matched_db")
MIN_INSTRUMENTS = 6
MOST_CLUSTERS = 12  # more would help nobody to find his way among the instruments
LEAST_STABILITY = 0.75
# ASSUME: tuned by trial: normal data of two strong traits pass 0.05 in 8 % of draws
SIGNIFICANCE = 0.025
# ASSUME: own choice, no source.
LEAST_CORRELATION = 0.7
"""Of a component with a trait that it is named after."""
REFERENCE_DRAWS = 199
BOOTSTRAP_DRAWS = 200


@dataclass(frozen=True)
class Clusters:
    """`labels` (I,) from 1, or None without structure; `stability` (I,) of each one's cluster; `components` (I, 2);
    `reason` in plain words why there is no structure, else empty."""

    labels: Ints | None
    stability: Floats
    components: Floats
    reason: str


def principal_components(profiles: Floats) -> Floats:
    """Scores (I, I - 1 or fewer) of the scaled features, greatest variance first; constant features are left out.

    Signs are fixed: the entry of greatest size in each component is positive.
    """
    spread = profiles.std(axis=0)
    scaled = (profiles - profiles.mean(axis=0))[:, spread > 1e-12 * np.abs(profiles).max(initial=1)]
    scores = _turned(scaled / scaled.std(axis=0))
    largest = np.abs(scores).argmax(axis=0)
    signs: Floats = np.sign(scores[largest, np.arange(scores.shape[1])])
    return scores * signs


def _turned(centred: Floats) -> Floats:
    """Points (I, F) along their own principal axes, those without any variance left out."""
    u, size, _ = np.linalg.svd(centred, full_matrices=False)
    turned: Floats = (u * size)[:, size > 1e-9 * size.max(initial=0)]
    return turned


def silhouette(points: Floats, labels: Ints) -> float:
    """Mean silhouette of the points (I, K) in clusters `labels` (I,) from 1; 0 for one alone in its cluster."""
    member = labels[:, None] == np.arange(1, labels.max() + 1)
    size, own, everybody = member.sum(axis=0), labels - 1, np.arange(len(labels))
    total = squareform(pdist(points)) @ member
    within = total[everybody, own] / np.maximum(size[own] - 1, 1)
    mean = total / size
    mean[everybody, own] = np.inf
    nearest, longer = mean.min(axis=1), np.maximum(within, mean.min(axis=1))
    return float(
        np.where((size[own] > 1) & (longer > 0), (nearest - within) / np.where(longer > 0, longer, 1), 0).mean()
    )


def partitions(scores: Floats) -> tuple[list[Ints], Floats]:
    """Labels (I,) from 1 of the points `scores` (I, K) in 2, 3 ... clusters, and the mean silhouette of each (P,), k
    clusters being sought and judged along the first k - 1 components, which hold their middles if anything does."""
    most = min(max(2, len(scores) // 3), MOST_CLUSTERS)
    along = [scores[:, : k - 1] for k in range(2, most + 1)]
    found: list[Ints] = [fcluster(linkage(points, "ward"), k, "maxclust") for k, points in enumerate(along, start=2)]
    told = [
        silhouette(points, labels) if labels.max() > 1 else -1.0 for points, labels in zip(along, found, strict=True)
    ]
    return found, np.array(told)


def bootstrap_stability(scores: Floats, labels: Ints, rng: np.random.Generator, draws: int) -> Floats:
    """Mean over bootstrap draws of each cluster's greatest Jaccard similarity with a cluster found there (k,).

    As many clusters are sought as there are. A draw repeats instruments; similarity is over those it holds.
    """
    k = labels.max()
    jaccard = np.full((draws, k), np.nan)
    for draw in range(draws):
        held = np.unique(rng.integers(0, len(scores), len(scores)))
        if len(held) <= k:
            continue
        new = fcluster(linkage(scores[held], "ward"), k, "maxclust")
        old = labels[held, None] == np.arange(1, k + 1)
        again = new[:, None] == np.arange(1, new.max() + 1)
        both = old.T.astype(int) @ again.astype(int)
        union = old.sum(axis=0)[:, None] + again.sum(axis=0)[None, :] - both
        present = old.any(axis=0)
        jaccard[draw, present] = (both / union).max(axis=1)[present]
    similarity: Floats = np.nanmean(jaccard, axis=0)
    return similarity


def cluster(profiles: Floats, seed: int) -> Clusters:
    """Cluster a complete profile matrix (I, F); see the module for when there is no structure."""
    count = len(profiles)
    empty = np.full(count, np.nan)
    scores = principal_components(profiles) if count > 1 and profiles.shape[1] else np.zeros((count, 0))
    plane = np.zeros((count, 2))
    plane[:, : min(2, scores.shape[1])] = scores[:, :2]
    if count < MIN_INSTRUMENTS or scores.shape[1] == 0:
        return Clusters(None, empty, plane, f"too few instruments to look for clusters: {count} of {MIN_INSTRUMENTS}")
    rng = np.random.default_rng(seed)
    found, silhouettes = partitions(scores)
    noise = rng.standard_normal((REFERENCE_DRAWS, *scores.shape)) * scores.std(axis=0)
    structureless = np.array([partitions(_turned(draw - draw.mean(axis=0)))[1] for draw in noise])
    usual = structureless.mean(axis=0)
    best = int(np.argmax(silhouettes - usual))
    by_chance = (structureless - usual).max(axis=1)
    p = (1 + (by_chance >= silhouettes[best] - usual[best]).sum()) / (1 + REFERENCE_DRAWS)
    if p > SIGNIFICANCE:
        return Clusters(None, empty, plane, "the instruments do not fall into groups more than chance would make them")
    labels = found[best]
    if np.bincount(labels)[1:].min() < 2:
        return Clusters(None, empty, plane, "one instrument stands apart from all others, and one is no group")
    stability = bootstrap_stability(scores[:, : best + 1], labels, rng, BOOTSTRAP_DRAWS)
    if stability.min() < LEAST_STABILITY:
        return Clusters(None, empty, plane, "groups change when instruments are left out by chance")
    return Clusters(labels, stability[labels - 1], plane, "")


def profile_matrix(note_profiles: pd.DataFrame) -> pd.DataFrame:
    """Wide matrix: instrument in rows, (measure, midi) in columns, from note_profiles of one state each at one dynamic.

    Only notes that every instrument has, so nothing is filled in. Cents are taken from each instrument's own mean: what
    pulling out can mend is not its character. Across comparability groups only cents can be compared.
    """
    measures = PROFILE_MEASURES if note_profiles["group"].nunique() == 1 else ("cents",)
    rows = note_profiles[note_profiles["measure"].isin(measures)]
    wide = rows.pivot(index="instrument", columns=["measure", "midi"], values="value").dropna(axis=1)
    cents = wide.columns.get_level_values("measure") == "cents"
    wide.loc[:, cents] = wide.loc[:, cents].sub(wide.loc[:, cents].mean(axis=1), axis=0)
    return wide


def axis_words(wide: pd.DataFrame, component: pd.Series) -> str:
    """What more of a component (by instrument) means to a musician: the trait of the profiles that goes with it most.

    `wide`: from `profile_matrix`. Traits are means over all notes, and over the upper less the lower half of them.
    """
    strongest, words = LEAST_CORRELATION, "no single trait"
    for measure, (_, more, less) in ((name, WORDINGS[name]) for name in PROFILE_MEASURES):
        if measure not in wide:
            continue
        by_note = cast(pd.DataFrame, wide[measure]).sort_index(axis=1).reindex(component.index)
        half = by_note.shape[1] // 2
        upper = by_note.iloc[:, by_note.shape[1] - half :].mean(axis=1) - by_note.iloc[:, :half].mean(axis=1)
        for trait, where in ((by_note.mean(axis=1), ""), (upper, " in high notes than in low")):
            known = trait.std() > 1e-9 and component.std() > 0
            correlation = float(np.corrcoef(trait, component)[0, 1]) if known else 0.0
            if abs(correlation) > strongest:
                strongest, words = abs(correlation), f"{more if correlation > 0 else less}{where}"
    return words


def clusters_by_family(
    note_profiles: pd.DataFrame, families: Mapping[str, str], seed: int
) -> tuple[pd.DataFrame, dict[str, str]]:
    """The clusters table of `profile_matrix`'s rows, each family on its own, and per family why it has no structure.

    `families`: family key per instrument. Cluster numbers go on counting from family to family.
    """
    tables, reasons, used = [pd.DataFrame(columns=names("clusters"))], {}, 0
    for family, rows in note_profiles.groupby(note_profiles["instrument"].map(families)):
        table, reasons[family] = cluster_table(profile_matrix(rows), seed)
        table["cluster"] += used
        used = used if table["cluster"].isna().all() else int(table["cluster"].max())
        tables.append(table)
    return pd.concat(tables, ignore_index=True), reasons


def cluster_table(wide: pd.DataFrame, seed: int) -> tuple[pd.DataFrame, str]:
    """The clusters table of a profile matrix, and the reason when it has no structure."""
    one = cluster(wide.to_numpy(float), seed)
    labels, (first, second) = pd.NA if one.labels is None else one.labels, one.components.T
    table = {"instrument": wide.index, "cluster": labels, "stability": one.stability, "pc1": first, "pc2": second}
    return pd.DataFrame(table), one.reason
