"""Linear mixed models by restricted maximum likelihood, with small-sample degrees of freedom.

    y = X b + Σ_k Z_k u_k + e,   u_k ~ N(0, v_k I),   e ~ N(0, v_e I)

X (n, p) has full column rank, Z_k holds one column per label of the grouping k; variances are zero or more.

The maximum of the restricted likelihood is found by scipy's bounded L-BFGS-B from three starts: with crossed groupings
of which one adds nothing, as sessions often do, methods without bounds stop short of it (figures in docs/research.md).
Likelihood and slope are computed from sums of products, by V⁻¹ = I - Z (R⁻¹ + Z'Z)⁻¹ Z' (Woodbury 1950), in which the
labels of one grouping, the instruments, make a diagonal part: of n values nothing is of the size n by n. The degrees of
freedom of contrasts are Satterthwaite's, from the information of the variances.

References: Patterson & Thompson 1971, Biometrika 58, 545 (REML); Searle, Casella & McCulloch 1992, Variance Components,
ch. 6 (information); Satterthwaite 1946, Biometrics Bull. 2, 110, for contrasts of a mixed model as in Giesbrecht &
Burns 1985, Biometrics 41, 477. From memory.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from evenbore.facts.arrays import Bools, Floats, Ints

RESIDUAL = "take"
_STARTS = (0.05, 1.0, 30.0)
"""Ratios of all variances to the residual's that the search begins from: a small study can have two maxima."""
_LEAST, _MOST = 1e-8, 1e10
"""Bounds of the ratios. The least counts as zero; at the most, what is left is rounding and no scatter."""


AGREE = "repeat takes do not scatter (one recording listed twice?): no error can be told"


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
        """Estimate, standard error and Satterthwaite degrees of freedom (infinite where the variances are exact) of
        weights (p,) times b."""
        variance = weights @ self.covariance @ weights
        slope = np.array([weights @ change @ weights for change in self.slopes])
        spread = float(slope @ self.variance_errors @ slope)
        df = 2 * float(variance) ** 2 / spread if spread else np.inf
        return float(weights @ self.b), float(np.sqrt(variance)), df


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


def fit(y: Floats, design: Floats, groupings: Mapping[str, ArrayLike]) -> Fit:
    """Fit by REML; `groupings`: name -> labels (n,). `design` needs full column rank and fewer columns than rows.

    Raises NoScatter where the design, or the groupings with it, explain all values exactly.
    """
    y = np.asarray(y, float)
    plain = np.linalg.lstsq(design, y, rcond=None)[0]
    left, free = y - design @ plain, len(y) - design.shape[1]
    scale = left @ left / free
    if not scale > 1e-24 * max(1.0, float((y**2).max())):
        raise NoScatter("the takes do not scatter at all: no error can be told")
    labels = [np.asarray(of_each).astype(str) for of_each in groupings.values()]
    if labels and _repeats_agree(left, design, labels, scale / _MOST):
        raise NoScatter(AGREE)
    sums = _Sums.of(np.column_stack([design, left]), labels)
    ratios = _ratios(sums.scaled(scale**-0.5)) if groupings else np.empty(0)
    if ratios.max(initial=0.0) > 0.99 * _MOST:
        raise NoScatter(AGREE)
    solved = _Solved(sums, ratios)
    covariance, residual = solved.covariance, solved.squares / free
    information, slopes = _information(sums, ratios, solved)
    back = np.append(np.argsort(sums.order), len(ratios))  # as the groupings were given, the residual last
    ratios, information, slopes = ratios[back[:-1]], information[np.ix_(back, back)], slopes[back]
    sizes = np.append(np.where(ratios > 0, ratios, 1.0), 1.0)  # each variance in units of its own, against rounding
    errors = np.linalg.pinv(information * np.outer(sizes, sizes)) * np.outer(sizes, sizes)
    return Fit(
        plain + solved.b,
        covariance * residual,
        dict(zip([*groupings, RESIDUAL], (np.append(ratios, 1.0) * residual).tolist(), strict=True)),
        errors * residual**2,
        slopes,
    )


def _repeats_agree(left: Floats, design: Floats, groupings: Sequence[NDArray[np.str_]], least: float) -> bool:
    """Whether design and groupings explain all values but a variance of `least`, though they need not."""
    largest, *others = sorted(groupings, key=lambda labels: -len(np.unique(labels)))
    place, count = np.unique(largest, return_inverse=True)[1], np.unique(largest).size
    columns = np.column_stack([left, design, *map(indicators, others)])
    sums = np.zeros((count, columns.shape[1]))
    np.add.at(sums, place, columns)
    columns -= (sums / np.bincount(place)[:, None])[place]
    solved, _, rank, _ = np.linalg.lstsq(columns[:, 1:], columns[:, 0], rcond=None)
    rest, free = columns[:, 0] - columns[:, 1:] @ solved, len(left) - count - int(rank)
    return bool(free > 0 and rest @ rest <= free * least)


def _information(sums: "_Sums", ratios: Floats, solved: "_Solved") -> tuple[Floats, Floats]:
    """Expected information (K, K) of the variances, half the trace of P Z_a Z_a' P Z_c Z_c', the residual's Z being the
    unit matrix, and how the estimates' covariance changes with each (K, p, p).

    The residual's come by P = P V P, so that no matrix is of the size of the values.
    """
    active, r, x = sums.each(ratios) > 0, sums.each(ratios), solved.covariance
    crossed = sums.crossed()
    inner, seen = solved.divided(crossed), solved.seen[:, :-1]  # Z'V⁻¹Z and Z'V⁻¹X, their active rows
    inner[~active] = crossed[~active] - crossed[~active][:, active] @ (r[active, None] * inner[active])
    seen = seen.copy()
    seen[~active] -= crossed[~active][:, active] @ (r[active, None] * seen[active])
    projected = inner - seen @ x @ seen.T
    parts, count = sums.parts, len(ratios)
    squares = np.array([[(projected[a, c] ** 2).sum() for c in parts] for a in parts]).reshape(count, count)
    traces = np.array([np.trace(projected[a, a]) for a in parts])
    twice = traces - squares @ ratios  # of P Z_a Z_a' P
    free = sums.count - len(x)
    information = np.empty((count + 1, count + 1))
    information[:-1, :-1], information[:-1, -1], information[-1, :-1] = squares, twice, twice
    information[-1, -1] = free - ratios @ (traces + twice)
    moved = [x @ seen[part].T @ seen[part] @ x for part in parts]
    slopes = np.array([*moved, x - sum((ratio * m for ratio, m in zip(ratios, moved, strict=True)), np.zeros_like(x))])
    return information / 2, slopes


@dataclass(frozen=True)
class _Sums:
    """All that a fit needs of the values: the columns M = (X, y) (n, p + 1) in sums of products. The groupings' columns
    are Z (n, q), the grouping with most labels first, for only of it there may be many: `order`.

    `count`: n; `order` (K,): place of each of these in the groupings; `parts`: their columns; `own` (q1,): how often
    each label of the first occurs, `shared` (q1, q2): with each label of the others, `others` (q2, q2) of these;
    `values` (q, p + 1): Z'M; `within` (p + 1, p + 1): products of M less its means over each label of the first.
    """

    count: int
    order: Ints
    parts: list[slice]
    own: Floats
    shared: Floats
    others: Floats
    values: Floats
    within: Floats

    @classmethod
    def of(cls, columns: Floats, groupings: Sequence[NDArray[np.str_]]) -> "_Sums":
        """From M and the labels (n,) of each grouping."""
        coded = [np.unique(labels, return_inverse=True) for labels in groupings]
        order = np.argsort([-len(labels) for labels, _ in coded], kind="stable")
        sizes = [len(coded[k][0]) for k in order]
        ends = np.cumsum([0, *sizes])
        parts = [slice(*ends[k : k + 2]) for k in range(len(sizes))]
        places = [coded[k][1] + first for k, first in zip(order, ends, strict=False)]
        values = np.zeros((ends[-1], columns.shape[1]))
        for place in places:
            np.add.at(values, place, columns)
        first = sizes[0] if sizes else 0
        shared, others = np.zeros((first, ends[-1] - first)), np.zeros((ends[-1] - first,) * 2)
        for place in places[1:]:
            np.add.at(shared, (places[0], place - first), 1.0)
            for beside in places[1:]:
                np.add.at(others, (place - first, beside - first), 1.0)
        own = np.bincount(places[0], minlength=first).astype(float) if places else np.empty(0)
        within = columns - (values[:first] / own[:, None])[places[0]] if places else columns
        return cls(len(columns), order, parts, own, shared, others, values, within.T @ within)

    def scaled(self, factor: float) -> "_Sums":
        """With the last of M's columns times `factor`."""
        by = np.ones(len(self.within))
        by[-1] = factor
        return replace(self, values=self.values * by, within=self.within * np.outer(by, by))

    def each(self, ratios: Floats) -> Floats:
        """The ratio of each of Z's columns, (q,); `ratios` (K,) in the order of `parts`."""
        return np.repeat(ratios, [part.stop - part.start for part in self.parts])

    def crossed(self) -> Floats:
        """Z'Z, (q, q)."""
        return np.block([[np.diag(self.own), self.shared], [self.shared.T, self.others]])


class _Solved:
    """What V = I + Σ r_k Z_k Z_k' makes of the sums, by A = I + R^½ Z'Z R^½ (Woodbury), whose first part is diagonal:
    the work grows with the first grouping's labels, and cubed with those of the others alone.

    `b` (p,), `covariance` (p, p) in units of the residual's variance, `squares`: of y about X b by V⁻¹; `seen`
    (q, p + 1): Z'V⁻¹M, of groupings without variance Z'M; `unlikelihood`, without what does not depend on the ratios.
    """

    def __init__(self, sums: _Sums, ratios: Floats):
        self._root = np.sqrt(sums.each(ratios))
        first = len(sums.own)
        self._diagonal = 1 + self._root[:first] ** 2 * sums.own
        self._beside = self._root[:first, None] * sums.shared * self._root[first:]
        rest = np.eye(len(sums.others)) + self._root[first:, None] * sums.others * self._root[first:]
        rest -= self._beside.T @ (self._beside / self._diagonal[:, None])
        self._inverse = np.linalg.inv(rest)
        self.seen = self.divided(sums.values)
        inactive = self._root == 0
        self.seen[inactive] = sums.values[inactive]
        _, other = self._apart(sums.values)
        means = sums.values[:first]
        products = sums.within + means.T @ (means / (sums.own * self._diagonal)[:, None])
        products -= other.T @ self._inverse @ other
        self.covariance = np.linalg.inv(products[:-1, :-1])
        self.b = self.covariance @ products[:-1, -1]
        # rounding may take more than there is
        self.squares = max(float(products[-1, -1] - products[:-1, -1] @ self.b), np.finfo(float).tiny)
        free = sums.count - len(self.b)
        logarithms = np.log(self._diagonal).sum() + np.linalg.slogdet(rest)[1] - np.linalg.slogdet(self.covariance)[1]
        self.unlikelihood = (logarithms + free * (1 + np.log(2 * np.pi * self.squares / free))) / 2

    def divided(self, values: Floats) -> Floats:
        """Z'V⁻¹u from Z'u (q, m), as R^-½ A⁻¹ R^½ Z'u; rows of groupings without variance are of no use."""
        own, other = self._apart(values)
        other = self._inverse @ other
        own = (own - self._beside @ other) / self._diagonal[:, None]
        out: Floats = np.vstack([own, other]) / np.where(self._root > 0, self._root, 1.0)[:, None]
        return out

    def _apart(self, values: Floats) -> tuple[Floats, Floats]:
        """R^½ Z'u of the first grouping, and of the others what the first leaves of it."""
        own, other = np.split(self._root[:, None] * values, [len(self._diagonal)])
        return own, other - self._beside.T @ (own / self._diagonal[:, None])

    def slope(self, sums: _Sums, ratios: Floats) -> Floats:
        """Change of `unlikelihood` with each ratio (K,), all above zero."""
        about = self.seen[:, -1] - self.seen[:, :-1] @ self.b  # Z'P y
        part = self._beside / self._diagonal[:, None]
        spread = np.append(1 / self._diagonal + ((part @ self._inverse) * part).sum(axis=1), np.diag(self._inverse))
        seen = self.seen[:, :-1]
        each = (1 - spread) / sums.each(ratios) - ((seen @ self.covariance) * seen).sum(axis=1)
        each -= (sums.count - len(self.b)) / self.squares * about**2
        return np.array([each[part].sum() for part in sums.parts]) / 2


def _ratios(sums: _Sums) -> Floats:
    """The likeliest ratios (K,) of the variances to the residual's."""
    from scipy.optimize import minimize

    def unlikelihood(roots: Floats) -> tuple[float, Floats]:
        solved = _Solved(sums, roots**2)
        return solved.unlikelihood, 2 * roots * solved.slope(sums, roots**2)

    count = len(sums.parts)
    maxima = [
        minimize(unlikelihood, np.full(count, start**0.5), jac=True, method="L-BFGS-B",
                 bounds=[(_LEAST**0.5, _MOST**0.5)] * count, options={"ftol": 1e-13, "gtol": 1e-8})
        for start in _STARTS
    ]  # fmt: skip
    ratios = min(maxima, key=lambda end: end.fun).x ** 2
    return np.where(ratios > 1.01 * _LEAST, ratios, 0.0)
