"""Linear mixed models by restricted maximum likelihood, with small-sample degrees of freedom.

    y = X b + Σ_k Z_k u_k + e,   u_k ~ N(0, v_k I),   e ~ N(0, v_e I)

X (n, p) has full column rank, Z_k holds one column per label of the grouping k; variances are zero or more. Model and
restricted likelihood are statsmodels' `MixedLM` (groupings as variance components of one group, for they are crossed);
the likelihood is maximised by SciPy. `MixedLM.fit` itself is not called: with its own choice of optimisers it stopped
short of the maximum in one of six studies in which a grouping adds nothing, as sessions often do, and at a variance of
zero it can end in a singular matrix. It also tests by the normal distribution, which is too sure of itself with a dozen
instruments: the degrees of freedom are Satterthwaite's, from the information on the variances.

References: Patterson & Thompson 1971, Biometrika 58, 545 (REML); Searle, Casella & McCulloch 1992, Variance Components,
ch. 6 (information); Satterthwaite 1946, Biometrics Bull. 2, 110, for contrasts of a mixed model as in Giesbrecht &
Burns 1985, Biometrics 41, 477. From memory.
"""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from scipy import linalg, optimize

RESIDUAL = "take"
_RATIOS = np.log([1e-8, 1e8])
"""Where the variances are looked for, over the residual one: the likelihood of statsmodels knows no zero."""
_NONE = 1e-6
"""A variance below this part of the residual one is zero."""


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
    left = y - design @ np.linalg.lstsq(design, y, rcond=None)[0]
    freedom = len(y) - design.shape[1]
    if not left @ left / freedom > 1e-24 * max(1.0, float((y**2).max())):
        raise ValueError("the values do not scatter about the design: there is no variance to find")
    effects = {name: indicators(labels) for name, labels in groupings.items()}
    ratios = _most_likely(y / np.std(left), design, effects) if effects else np.empty(0)

    # all in parts of the residual variance, which comes last
    parts = [*effects.values(), np.eye(len(y))]
    within = sum((ratio * z @ z.T for ratio, z in zip(ratios, parts, strict=False)), parts[-1])
    inverse = linalg.inv(within, assume_a="pos")
    weighted = inverse @ design
    spread = np.linalg.inv(design.T @ weighted)
    b = spread @ (weighted.T @ y)
    residual = float((y - design @ b) @ inverse @ (y - design @ b) / freedom)
    projection = inverse - weighted @ spread @ weighted.T
    information = 0.5 * np.array([[((one.T @ projection @ other) ** 2).sum() for other in parts] for one in parts])
    moves = [spread @ (weighted.T @ z) for z in parts]
    variances = residual * np.append(ratios, 1.0)
    return Fit(
        b,
        residual * spread,
        dict(zip([*effects, RESIDUAL], variances.tolist(), strict=True)),
        residual**2 * np.linalg.pinv(information),
        np.array([move @ move.T for move in moves]),
    )


def _most_likely(y: np.ndarray, design: np.ndarray, effects: Mapping[str, np.ndarray]) -> np.ndarray:
    """Variance (K,) of each of the `effects`, over the residual one, at the highest restricted likelihood."""
    # loaded here: no other step needs it
    from statsmodels.regression.mixed_linear_model import MixedLM, VCSpec

    columns = [[[str(i) for i in range(z.shape[1])]] for z in effects.values()]
    components = VCSpec(list(effects), columns, [[z] for z in effects.values()])
    model = MixedLM(y, design, np.zeros(len(y)), exog_vc=components)
    model.reml, model.cov_pen, model.fe_pen = True, None, None  # what `MixedLM.fit` sets first

    def misfit(logs):
        return -model.loglike(np.exp(logs / 2))  # which takes the roots of the variances

    bounds = [_RATIOS] * len(effects)
    near = optimize.minimize(misfit, np.zeros(len(effects)), method="L-BFGS-B", bounds=bounds)
    exact = {"xatol": 1e-7, "fatol": 1e-10}
    ratios = np.exp(optimize.minimize(misfit, near.x, method="Nelder-Mead", bounds=bounds, options=exact).x)
    return np.where(ratios < _NONE, 0.0, ratios)
