"""Linear mixed models by restricted maximum likelihood, with small-sample degrees of freedom.

    y = X b + Σ_k Z_k u_k + e,   u_k ~ N(0, v_k I),   e ~ N(0, v_e I)

X (n, p) has full column rank, Z_k holds one column per label of the grouping k; variances are zero or more.

The model, its restricted likelihood and the likelihood's slope are statsmodels' (`MixedLM`, groupings as variance
components); the maximum is found by scipy's bounded L-BFGS-B. statsmodels' own `fit` knows no bounds. With crossed
groupings of which one adds nothing, as sessions often do, its gradient methods stop short of the maximum, and where
several add nothing it can fail on a singular matrix; by simplex from two starts, over every subset of the groupings, it
was nearly as sure, in six times the time (docs/research.md has the figures). It tests by the normal distribution, too
sure of itself with a dozen instruments: the degrees of freedom of contrasts are Satterthwaite's, from the information
of the variances, computed here.

References: Patterson & Thompson 1971, Biometrika 58, 545 (REML); Searle, Casella & McCulloch 1992, Variance Components,
ch. 6 (information); Satterthwaite 1946, Biometrics Bull. 2, 110, for contrasts of a mixed model as in Giesbrecht &
Burns 1985, Biometrics 41, 477. From memory.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from evenbore.facts.arrays import Bools, Floats

RESIDUAL = "take"
_STARTS = (0.05, 1.0, 30.0)
"""Ratios of all variances to the residual's that the search begins from: a small study can have two maxima."""
_LEAST, _MOST = 1e-8, 1e10
"""Bounds of the ratios. The least counts as zero; at the most, what is left is rounding and no scatter."""


class NoScatter(ValueError):
    """The model explains all values exactly; the message tells users so."""


@dataclass(frozen=True)
class Fit:
    """Estimates `b` (p,) and their `covariance` (p, p); `variances` per grouping and RESIDUAL, in that order;
    `variance_errors` (K, K): their asymptotic covariance; `slopes` (K, p, p): change of `covariance` with each."""

    b: Floats
    covariance: Floats
    variances: dict[str, float]
    variance_errors: Floats
    slopes: Floats

    def contrast(self, weights: Floats) -> tuple[float, float, float]:
        """Estimate, standard error and Satterthwaite degrees of freedom of weights (p,) times b."""
        variance = weights @ self.covariance @ weights
        slope = np.array([weights @ change @ weights for change in self.slopes])
        spread = slope @ self.variance_errors @ slope
        return float(weights @ self.b), float(np.sqrt(variance)), float(2 * variance**2 / spread)


def independent_columns(kept: Floats, more: Floats) -> Bools:
    """Which columns of `more` (n, q) add to the space of `kept` (n, p) and of those before them: (q,) bool."""
    adds = np.zeros(more.shape[1], bool)
    basis = np.linalg.qr(kept)[0] if kept.shape[1] else np.empty((len(more), 0))
    for i, column in enumerate(more.T):
        left = column - basis @ (basis.T @ column)
        left -= basis @ (basis.T @ left)  # once more, against rounding
        if np.linalg.norm(left) > 1e-8 * max(float(np.linalg.norm(column)), 1e-300):
            adds[i] = True
            basis = np.column_stack([basis, left / np.linalg.norm(left)])
    return adds


def indicators(labels: ArrayLike) -> Floats:
    """One column (n, q) of zeros and ones per distinct label, in sorted order."""
    words = np.asarray(labels).astype(str)
    return np.asarray(words[:, None] == np.unique(words)[None, :]).astype(float)


def fit(y: Floats, design: Floats, groupings: Mapping[str, Floats]) -> Fit:
    """Fit by REML; `groupings`: name -> labels (n,). `design` needs full column rank and fewer columns than rows.

    Raises NoScatter where the design, or the groupings with it, explain all values exactly.
    """
    y = np.asarray(y, float)
    left = y - design @ np.linalg.lstsq(design, y, rcond=None)[0]
    scale = left @ left / (len(y) - design.shape[1])
    if not scale > 1e-24 * max(1.0, float((y**2).max())):
        raise NoScatter("the takes do not scatter at all: no error can be told")
    columns = [*map(indicators, groupings.values())]
    ratios = np.append(_ratios(left / scale**0.5, design, columns) if columns else [], 1.0)
    if ratios.max() > 0.99 * _MOST:
        raise NoScatter("repeat takes do not scatter (one recording listed twice?): no error can be told")
    columns.append(np.eye(len(y)))
    inverse = np.linalg.inv(sum(ratio * z @ z.T for ratio, z in zip(ratios, columns, strict=True)))
    weighted = inverse @ design
    covariance = np.linalg.inv(design.T @ weighted)
    projection = inverse - weighted @ covariance @ weighted.T
    residual = left @ projection @ left / (len(y) - design.shape[1])
    # expected information of the variances: half the trace of P Z_a Z_a' P Z_c Z_c'
    halves = [z.T @ projection for z in columns]
    information = [[((half @ z) ** 2).sum() / 2 for z in columns] for half in halves]
    sizes = np.where(ratios > 0, ratios, 1.0)  # each variance in units of its own, or rounding swamps the small ones
    errors = np.linalg.pinv(np.array(information) * np.outer(sizes, sizes)) * np.outer(sizes, sizes)
    moved = [z.T @ weighted @ covariance for z in columns]
    return Fit(
        covariance @ (weighted.T @ y),
        covariance * residual,
        dict(zip([*groupings, RESIDUAL], (ratios * residual).tolist(), strict=True)),
        errors * residual**2,
        np.array([m.T @ m for m in moved]),
    )


def _ratios(y: Floats, design: Floats, columns: Sequence[Floats]) -> Floats:
    """The likeliest ratios (K,) of the variances to the residual's; `columns`: Z of each grouping."""
    from scipy.optimize import minimize
    from statsmodels.regression.mixed_linear_model import MixedLM, MixedLMParams, VCSpec

    names = [str(k) for k in range(len(columns))]
    spec = VCSpec(names, [[[str(j) for j in range(z.shape[1])]] for z in columns], [[z] for z in columns])
    model = MixedLM(y, design, groups=np.zeros(len(y)), exog_vc=spec)
    model.cov_pen = None  # no penalty; left unset until statsmodels' own fit

    def unlikelihood(roots: Floats) -> tuple[float, Floats]:
        at = MixedLMParams.from_components(vcomp=roots**2)
        at.fe_params = model.get_fe_params(at.cov_re, at.vcomp)[0]
        slope = model.score_full(at, calc_fe=False)[-1]
        return -model.loglike(at, profile_fe=False), -2 * roots * slope

    bounds = [(_LEAST**0.5, _MOST**0.5)] * len(columns)
    maxima = [
        minimize(unlikelihood, np.full(len(columns), start**0.5), jac=True, method="L-BFGS-B", bounds=bounds,
                 options={"ftol": 1e-13, "gtol": 1e-8})
        for start in _STARTS
    ]  # fmt: skip
    ratios = min(maxima, key=lambda end: end.fun).x ** 2
    return np.where(ratios > 1.01 * _LEAST, ratios, 0.0)
