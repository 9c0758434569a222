"""Linear mixed models by restricted maximum likelihood, with small-sample degrees of freedom.

    y = X b + Σ_k Z_k u_k + e,   u_k ~ N(0, v_k I),   e ~ N(0, v_e I)

X (n, p) has full column rank, Z_k holds one column per label of the grouping k; variances are zero or more. They are
found by Fisher scoring on the restricted likelihood, variances that would go below zero held at zero. (statsmodels'
`MixedLM` is the reference in the tests. It is not called here: with crossed groupings of which one adds nothing, as
sessions often do, its optimisers stop short of the maximum in about half of the cases, and it tests by the normal
distribution, which is too sure of itself with a dozen instruments.)

References: Patterson & Thompson 1971, Biometrika 58, 545 (REML); Searle, Casella & McCulloch 1992, Variance Components,
ch. 6 (scoring); Satterthwaite 1946, Biometrics Bull. 2, 110, for contrasts of a mixed model as in Giesbrecht & Burns
1985, Biometrics 41, 477. From memory.
"""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

RESIDUAL = "take"
_STEPS = 100
_CLOSE = 1e-10
"""Scoring stops when a step gains less restricted log-likelihood than this."""
_LEAST_RESIDUAL = 1e-8
"""Of the values' variance: a residual of exactly zero has no likelihood."""


@dataclass(frozen=True)
class Fit:
    """Estimates `b` (p,) and their `covariance` (p, p); `variances` per grouping and RESIDUAL, in that order;
    `variance_errors` (K, K): their asymptotic covariance; `slopes` (K, p, p): change of `covariance` with each."""

    b: np.ndarray
    covariance: np.ndarray
    variances: dict[str, float]
    variance_errors: np.ndarray
    slopes: np.ndarray

    def contrast(self, weights: np.ndarray) -> tuple[float, float, float]:
        """Estimate, standard error and Satterthwaite degrees of freedom of weights (p,) times b."""
        variance = weights @ self.covariance @ weights
        slope = np.array([weights @ change @ weights for change in self.slopes])
        spread = slope @ self.variance_errors @ slope
        return float(weights @ self.b), float(np.sqrt(variance)), float(2 * variance**2 / spread)


def independent_columns(kept: np.ndarray, more: np.ndarray) -> np.ndarray:
    """Which columns of `more` (n, q) add to the space of `kept` (n, p) and of those before them: (q,) bool."""
    adds = np.zeros(more.shape[1], bool)
    basis = np.linalg.qr(kept)[0] if kept.shape[1] else np.empty((len(more), 0))
    for i, column in enumerate(more.T):
        left = column - basis @ (basis.T @ column)
        left -= basis @ (basis.T @ left)  # once more, against rounding
        if np.linalg.norm(left) > 1e-8 * max(np.linalg.norm(column), 1e-300):
            adds[i] = True
            basis = np.column_stack([basis, left / np.linalg.norm(left)])
    return adds


def indicators(labels) -> np.ndarray:
    """One column (n, q) of zeros and ones per distinct label, in sorted order."""
    labels = np.asarray(labels).astype(str)
    return (labels[:, None] == np.unique(labels)[None, :]).astype(float)


def fit(y: np.ndarray, design: np.ndarray, groupings: Mapping[str, np.ndarray]) -> Fit:
    """Fit by REML; `groupings`: name -> labels (n,). `design` needs full column rank and fewer columns than rows.

    Raises ValueError where the design explains all values exactly.
    """
    y = np.asarray(y, float)
    parts = [z @ z.T for z in map(indicators, groupings.values())] + [np.eye(len(y))]
    left = y - design @ np.linalg.lstsq(design, y, rcond=None)[0]
    scale = left @ left / (len(y) - design.shape[1])
    if not scale > 1e-24 * max(1.0, float((y**2).max())):
        raise ValueError("the values do not scatter about the design: there is no variance to find")
    state = _State(y / scale**0.5, design, parts, _start(len(parts)))
    for _ in range(_STEPS):
        better = state.step()
        if better is None or better.likelihood - state.likelihood < _CLOSE:
            state = better or state
            break
        state = better
    weighted = state.inverse @ design
    covariance = state.covariance * scale
    slopes = np.array([state.covariance @ (weighted.T @ part @ weighted) @ state.covariance for part in parts])
    names = [*groupings, RESIDUAL]
    return Fit(
        state.b * scale**0.5,
        covariance,
        dict(zip(names, (state.variances * scale).tolist(), strict=True)),
        np.linalg.pinv(state.information()) * scale**2,
        slopes,
    )


def _start(count: int) -> np.ndarray:
    return np.full(count, 1.0 / count)


class _State:
    """Restricted likelihood, and what scoring needs, at one set of variances (K,)."""

    def __init__(self, y, design, parts, variances):
        self.y, self.design, self.parts, self.variances = y, design, parts, variances
        covariance = sum(v * part for v, part in zip(variances, parts, strict=True))
        root = np.linalg.cholesky(covariance)
        inverse_root = np.linalg.inv(root)
        self.inverse = inverse_root.T @ inverse_root
        weighted = self.inverse @ design
        crossed = design.T @ weighted
        self.covariance = np.linalg.inv(crossed)
        self.b = self.covariance @ (weighted.T @ y)
        self.projection = self.inverse - weighted @ self.covariance @ weighted.T
        fitted = y @ self.projection @ y
        self.likelihood = -np.log(np.diag(root)).sum() - 0.5 * (np.linalg.slogdet(crossed)[1] + fitted)

    def information(self) -> np.ndarray:
        """Expected information (K, K) of the variances."""
        moved = [self.projection @ part for part in self.parts]
        return 0.5 * np.array([[(a * c.T).sum() for c in moved] for a in moved])

    def score(self) -> np.ndarray:
        """Slope (K,) of the likelihood with the variances."""
        pulled = self.projection @ self.y
        return 0.5 * np.array([pulled @ part @ pulled - (self.projection * part).sum() for part in self.parts])

    def step(self) -> "_State | None":
        """The next state uphill, None where there is none."""
        score, information = self.score(), self.information()
        free = (self.variances > 0) | (score > 0)
        while True:
            move = np.zeros(len(score))
            move[free] = np.linalg.pinv(information[np.ix_(free, free)]) @ score[free]
            pushed = free & (self.variances <= 0) & (move < 0)
            if not pushed.any():
                break
            free &= ~pushed
        size = 1.0
        while size > 1e-6:
            variances = np.maximum(self.variances + size * move, 0.0)
            variances[-1] = max(variances[-1], _LEAST_RESIDUAL)
            new = _State(self.y, self.design, self.parts, variances)
            if new.likelihood > self.likelihood:
                return new
            size /= 2
        return None
