"""Which pattern fits: posterior probabilities of all alternatives for one instrument.

Deviations z (N,) of a whole instrument are modelled as a + b * template + healthy variation, the same for notes of
both registers. Healthy variation is not independent from note to note (neighbours share holes and bore), so its
correlation is learned from all instruments of the study and a fit is by generalised least squares. Its size is
uncertain too: a scaled inverse chi-square prior makes the likelihood a multivariate Student's t (Box & Tiao 1973,
Bayesian Inference in Statistical Analysis, ch. 2). `a` has a flat prior and cancels; b is positive, with a prior even
over its logarithm between SIZES.
"""

from dataclasses import dataclass

import numpy as np
from scipy.optimize import nnls

from evenbore.diagnose.templates import Template

SIZES = np.geomspace(1.5, 15.0, 12)  # of b, in standard deviations of healthy notes
# ASSUME: how often each happens before anything is heard; set so that healthy simulated studies stay clean
PRIOR = {"nothing": 0.90, "leak": 0.03, "step": 0.015, "vent": 0.015, "run": 0.02, "fingering": 0.01, "note": 0.01}
SCALE_FREEDOM = 8.0  # how firmly the size of healthy variation is believed, in notes
# A bright note is not evidence that the others are dull, and one very dull note not a run.
CLIP = (-3.0, 8.0)
REACH = (2.0, 8.0)  # semitones: short and long range of what neighbouring notes share
LEAST_ROUGH = 0.15
MIN_NOTES = 8


@dataclass(frozen=True)
class Fit:
    """`posterior`: kind -> probability, "nothing" included. `holes`: first-open note of a hole -> share of the leak's
    posterior. `best`: kind -> its most probable template. `size`: kind -> mean of b. `residual` (N,): z minus a and
    the mean pattern of the most probable alternative."""

    posterior: dict[str, float]
    holes: dict[int, float]
    best: dict[str, Template]
    size: dict[str, float]


def correlation(z: np.ndarray, written: np.ndarray) -> np.ndarray:
    """Correlation (N, N) of healthy deviations, learned from all instruments' z (I, N).

    Half the robust variance of differences at each distance (a variogram) as a sum of a rough part and two smooth
    ones; medians leave the few faulty instruments out of account.
    """
    distance = np.abs(written[:, None] - written[None, :])
    lags = np.arange(1, min(13, distance.max() + 1))
    gamma = []
    for lag in lags:
        i, j = np.nonzero(np.triu(distance == lag))
        away = np.abs(z[:, i] - z[:, j])
        away = away[np.isfinite(away)]
        gamma.append((1.4826 * np.median(away)) ** 2 / 2 if away.size >= 10 else np.nan)
    gamma = np.array(gamma)
    known = np.isfinite(gamma)
    if known.sum() < 3:
        return np.eye(len(written))
    design = np.column_stack([np.ones(len(lags)), *(1 - _smooth(lags, reach) for reach in REACH)])
    parts, _ = nnls(design[known], gamma[known])
    parts[0] = max(parts[0], LEAST_ROUGH * parts.sum(), 1e-6)
    out = parts[0] * np.eye(len(written)) + sum(
        part * _smooth(distance, reach) for part, reach in zip(parts[1:], REACH, strict=True)
    )
    return out


def _smooth(distance, reach: float):
    return np.exp(-0.5 * (distance / reach) ** 2)


def fit(
    z: np.ndarray, covariance: np.ndarray, alternatives: list[Template], more: np.ndarray | None = None
) -> Fit | None:
    """Weigh all alternatives for one instrument; None with fewer than MIN_NOTES notes known.

    `z` (N,), NaN where not known; `covariance` (N, N) of healthy deviations; `more` (T,): log Bayes factors of the
    alternatives from other measures.
    """
    if np.isfinite(z).sum() < MIN_NOTES:
        return None
    logs = log_ratios(z, covariance, alternatives)
    if more is not None:
        logs = logs + more[:, None]
    kinds = np.array([template.kind for template in alternatives])
    prior = np.array([PRIOR[kind] / (kinds == kind).sum() for kind in kinds])
    weight = np.exp(np.minimum(logs, 600.0)) * (prior / len(SIZES))[:, None]
    total = PRIOR["nothing"] + weight.sum()
    each = weight.sum(axis=1) / total
    posterior, best, size = {"nothing": float(PRIOR["nothing"] / total)}, {}, {}
    for kind in dict.fromkeys(kinds.tolist()):
        mine = np.flatnonzero(kinds == kind)
        top = mine[np.argmax(each[mine])]
        posterior[kind], best[kind] = float(each[mine].sum()), alternatives[top]
        size[kind] = float((weight[top] * SIZES).sum() / weight[top].sum())
    holes: dict[int, float] = {}
    for index in np.flatnonzero(kinds == "leak"):
        place = alternatives[index].place
        holes[place] = holes.get(place, 0.0) + float(each[index] / posterior["leak"])
    return Fit(posterior, holes, best, size)


def log_ratios(z: np.ndarray, covariance: np.ndarray, alternatives: list[Template]) -> np.ndarray:
    """Log likelihood of each alternative with each of SIZES over that of nothing, (T, S); 0 where z cannot tell."""
    known = np.isfinite(z)
    if known.sum() < MIN_NOTES:
        return np.zeros((len(alternatives), len(SIZES)))
    y = np.clip(z[known] - np.median(z[known]), *CLIP)
    shapes = np.array([template.shape[known] for template in alternatives])
    inverse = np.linalg.inv(covariance[np.ix_(known, known)])
    ones = inverse.sum(axis=0)
    projected = inverse - np.outer(ones, ones) / ones.sum()  # takes the flat-prior offset out
    own = y @ projected @ y
    cross = shapes @ projected @ y
    square = np.einsum("tn,nm,tm->t", shapes, projected, shapes)
    gain = 2 * SIZES * cross[:, None] - SIZES**2 * square[:, None]
    return -0.5 * (SCALE_FREEDOM + known.sum() - 1) * np.log1p(-gain / (SCALE_FREEDOM + own))


def region(holes: dict[int, float], share: float, most: int) -> tuple[int, int] | None:
    """Lowest and highest of the fewest neighbouring holes that hold `share` of the posterior; None above `most`."""
    places = np.array(sorted(holes))
    gathered = np.concatenate([[0.0], np.cumsum([holes[place] for place in places])])
    for width in range(1, min(most, len(places)) + 1):
        held = gathered[width:] - gathered[:-width]
        if held.max() >= share:
            start = int(np.argmax(held))
            return int(places[start]), int(places[start + width - 1])
    return None
