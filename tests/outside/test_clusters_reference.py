"""Clustering against reference data and an independent implementation.

- Iris (Fisher 1936, in scikit-learn): silhouette of the species 0.5034774; the silhouette prefers two clusters, setosa
  and the rest, as every textbook shows.
- Wine (Forina et al., in scikit-learn): three cultivars, which clusters of the scaled data largely recover.
- Ward's linkage: scikit-learn's AgglomerativeClustering beside scipy's.
- Adjusted Rand index, the yardstick here: contingency table of Yeung & Ruzzo 2001, published value 0.313.
"""

import numpy as np
import pytest
from sklearn.cluster import AgglomerativeClustering
from sklearn.datasets import load_iris, load_wine
from sklearn.metrics import adjusted_rand_score, silhouette_score

from evenbore.compare.cluster import bootstrap_stability, cluster, partitions, principal_components, silhouette


def test_yardsticks():
    contingency = np.array([[1, 1, 0], [1, 2, 1], [0, 0, 4]])
    rows, columns = np.nonzero(contingency)
    counts = contingency[rows, columns]
    assert adjusted_rand_score(rows.repeat(counts), columns.repeat(counts)) == pytest.approx(0.313, abs=5e-4)
    assert silhouette_score(*load_iris(return_X_y=True)) == pytest.approx(0.5034774, abs=1e-6)


def test_silhouette_is_the_published_one():
    flowers, species = load_iris(return_X_y=True)
    assert silhouette(flowers, species + 1) == pytest.approx(0.5034774, abs=1e-6)
    assert silhouette(np.array([[0.0], [1.0], [5.0]]), np.array([1, 1, 2])) == pytest.approx((0.8 + 0.75 + 0) / 3)


def test_iris_falls_into_setosa_and_the_rest():
    flowers, species = load_iris(return_X_y=True)
    scores = principal_components(flowers)
    found, silhouettes = partitions(scores)
    assert adjusted_rand_score(found[0], species == 0) == pytest.approx(1.0)
    assert silhouettes.argmax() == 0
    assert silhouettes[0] == pytest.approx(silhouette_score(scores[:, :1], species == 0))
    assert bootstrap_stability(scores[:, :1], found[0], np.random.default_rng(1), 20).min() > 0.95


def test_wines_fall_into_their_three_cultivars():
    wines, cultivar = load_wine(return_X_y=True)
    found = cluster(wines, seed=1)
    assert found.labels.max() == 3
    assert adjusted_rand_score(found.labels, cultivar) > 0.75


def test_partition_is_that_of_another_implementation():
    points = np.random.default_rng(2).normal(size=(30, 3)) + np.repeat(np.eye(3) * 6, 10, axis=0)
    for k, labels in enumerate(partitions(points)[0], start=2):
        other = AgglomerativeClustering(n_clusters=k, linkage="ward").fit_predict(points[:, : k - 1])
        assert adjusted_rand_score(labels, other) == 1.0
