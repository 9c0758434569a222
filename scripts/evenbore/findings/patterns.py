"""Which pattern fits: posterior probabilities of all alternatives for one instrument.

Deviations z (N,) of a whole instrument are modelled as a + b * template + healthy variation, the same for notes of
both registers. Healthy variation is not independent from note to note (neighbours share holes and bore), so its
correlation is learned from all instruments of the study and a fit is by generalised least squares. Its size is
uncertain too: a scaled inverse chi-square prior makes the likelihood a multivariate Student's t (Box & Tiao 1973,
Bayesian Inference in Statistical Analysis, ch. 2). `a` has a flat prior and cancels, unless it is known how dull the
whole scale is (`Whole`): clean notes are as dull as other instruments' are, so a leak that dulls most of a scale and a
dull reed show in that as well. b is positive, with the prior SIZE_PRIOR over SIZES. Templates are inexact: their error
grows with b.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import cast

import numpy as np
import pandas as pd
from scipy.optimize import nnls

from evenbore.facts.arrays import Bools, Floats, Ints, Numbers
from evenbore.findings.templates import Template
from evenbore.statistics.student import log_density

SIZES = np.geomspace(1.5, 30.0, 14)  # of b, in standard deviations of healthy notes
SIZE_PRIOR = (1 / SIZES) / (1 / SIZES).sum()  # small faults are commoner than large ones
# ASSUME: how often each happens before anything is heard; set so that healthy studies stay clean
PRIOR = {
    "nothing": 0.75,
    "leak": 0.06,
    "step": 0.01,
    "vent": 0.02,
    "run": 0.02,
    "reed": 0.12,
    "fingering": 0.01,
    "note": 0.01,
}
# ASSUME: down to MUCH, set by trial and judgement on the development studies that docs/findings.md tells of; no source.
SCALE_FREEDOM = 8.0  # how firmly the size of healthy variation is believed, in notes
# A bright note is not evidence that the others are dull: deviations below the clean notes' are cut.
CLIP = (-2.0, 20.0)
STRENGTH = 0.4  # standard deviation of the natural logarithm of b about what is expected of a leak
TAIL = 0.2  # of all may be larger than the bench makes one expect, by any factor: players and reeds differ more
CLEAN = 0.2  # a fifth of the notes at least is clean
REACH = (2.0, 8.0)  # semitones: short and long range of what neighbouring notes share
LEAST_ROUGH = 0.15
# Templates are this inexact, as a share of b, smoothly over the notes, those above a leak included. On the bench the
# score of one bore's leak lies 0.02 to 0.2 of its peak (rms over the notes) from what the others' mean tells, that of a
# tired reed or soft blowing about 0.1 to 0.2 from the nearest example.
# ASSUME: as much holds of real instruments and of what only the formula tells.
MODEL_ERROR = 0.12
# ASSUME: of a reed or a breath near where notes no longer speak, half of it from note to note; set by trial, as above.
REED_ERROR = 0.2
# ASSUME: how exactly what dulls the whole scale and what dulls single notes are known in the same unit
UNIT_ERROR = 0.2
MIN_FITTED_NOTES = 8
RUNNING = ("leak", "step", "run")
MUCH = 0.35  # of the full effect, for a note to be told as affected


@dataclass(frozen=True)
class PatternFit:
    """`posterior`: kind -> probability, "nothing" included. `holes`: first-open note of a hole -> share of the leak's
    posterior. `best`: kind -> its most probable template. `affected` (N,): probability that a note is much affected,
    given a leak, step or run."""

    posterior: dict[str, float]
    holes: dict[int, float]
    best: dict[str, Template]
    affected: Floats


@dataclass(frozen=True)
class Whole:
    """How dull the median note of I instruments is against the others': `z` (I,) in standard deviations between healthy
    instruments; `sd` (I,), that in standard deviations of notes; `freedom` of Student's t."""

    z: Floats
    sd: Floats
    freedom: float

    def away(self, i: int | Ints, clean: Floats, error: float) -> tuple[Floats, Floats]:
        """How dull clean notes of the instruments `i` are that lie `clean` ± `error` from the median note, and its
        standard deviation."""
        scale: Floats = np.sqrt(1.0 + (error / self.sd[i]) ** 2 + (UNIT_ERROR * self.z[i]) ** 2)
        return self.z[i] + clean / self.sd[i], scale

    def density(self, i: Ints, clean: Floats, error: float) -> Floats:
        """Its logarithm, of clean notes (T, I) lying `clean` ± `error` from the median note; 0 where not known."""
        away, scale = self.away(i, clean, error)
        return np.nan_to_num(log_density(away / scale, self.freedom) - np.log(scale))


@dataclass(frozen=True)
class View:
    """One way to judge I instruments: `z` (I, N), NaN where not known; `covariance` (N, N) of healthy deviations; the
    alternatives to "nothing"."""

    z: Floats
    covariance: Floats
    alternatives: list[Template]
    whole: Whole | None = None


def correlation(z: Floats, written: Ints) -> Floats:
    """Correlation (N, N) of healthy deviations, learned from all instruments' z (I, N).

    Half the robust variance of differences at each distance (a variogram), the median over the instruments so that
    a few faulty ones do not count, as a sum of a rough part and smooth ones.
    """
    distance = np.abs(written[:, None] - written[None, :])
    lags = np.arange(1, min(17, distance.max() + 1))
    variances = []
    for lag in lags:
        i, j = np.nonzero(np.triu(distance == lag))
        each = pd.DataFrame(np.abs(z[:, i] - z[:, j]).T).median()
        variances.append((1.4826 * each.median()) ** 2 / 2)
    gamma = np.array(variances)
    known = np.isfinite(gamma)
    if known.sum() < 5:
        return np.eye(len(written))
    design = np.column_stack([np.ones(len(lags)), *(1 - _smooth(lags, reach) for reach in REACH)])
    parts, _ = nnls(design[known], gamma[known])
    parts[0] = max(parts[0], LEAST_ROUGH * parts.sum(), 1e-6)
    out: Floats = parts[0] * np.eye(len(written)) + sum(
        part * _smooth(distance, reach) for part, reach in zip(parts[1:], REACH, strict=True)
    )
    return out


def _smooth(distance: Numbers, reach: float) -> Floats:
    shared: Floats = np.exp(-0.5 * (distance / reach) ** 2)
    return shared


def fit_patterns(views: Sequence[View], more: Floats) -> list[list[PatternFit | None]]:
    """Weigh all alternatives for each instrument; None with fewer than MIN_FITTED_NOTES notes known.

    What is told by several views is as probable by each before anything is heard. `more` (K, I, T): log Bayes factors
    of the alternatives, in the order of the views, from other measures, read in K ways; a list each.
    """
    alternatives = [template for view in views for template in view.alternatives]
    logs = np.concatenate([log_ratios(view) for view in views], axis=1)
    kinds = np.array([template.kind for template in alternatives])
    # how probable each is among those of its kind in a view, and of the kind in all
    shares = [pd.Series([template.share for template in view.alternatives]) for view in views]
    of_kind = [[template.kind for template in view.alternatives] for view in views]
    prior = np.concatenate(
        [share / share.groupby(kind).transform("sum") for share, kind in zip(shares, of_kind, strict=True)]
    )
    for kind in PRIOR:
        prior[kinds == kind] *= PRIOR[kind] / max(prior[kinds == kind].sum(), 1e-12)
    prior = prior[:, None] * size_priors(alternatives)
    enough = np.isfinite(views[0].z).sum(axis=1) >= MIN_FITTED_NOTES
    return [
        [
            _fit(alternatives, np.exp(np.minimum(log + one[:, None], 600.0)) * prior) if ok else None
            for ok, log, one in zip(enough, logs, way, strict=True)
        ]
        for way in more
    ]


def _fit(alternatives: list[Template], weight: Floats) -> PatternFit:
    """Of one instrument; `weight` (T, S): prior times likelihood ratio of each alternative with each size."""
    kinds = np.array([template.kind for template in alternatives])
    total = PRIOR["nothing"] + weight.sum()
    each = weight.sum(axis=1) / total
    posterior, best = {"nothing": float(PRIOR["nothing"] / total)}, {}
    for kind in dict.fromkeys(kinds.tolist()):
        mine = np.flatnonzero(kinds == kind)
        top = mine[np.argmax(each[mine])]
        posterior[kind], best[kind] = float(each[mine].sum()), alternatives[top]
    holes: dict[int, float] = {}
    for index in np.flatnonzero(kinds == "leak"):
        place = cast(int, alternatives[index].place)  # a leak's
        holes[place] = holes.get(place, 0.0) + float(each[index] / posterior["leak"])
    return PatternFit(posterior, holes, best, _affected(alternatives, each))


def size_priors(alternatives: list[Template]) -> Floats:
    """Prior (T, S) over SIZES: SIZE_PRIOR, or around the size expected with a tail of it to larger ones."""
    known = np.array([[template.size is not None] for template in alternatives])
    expected = np.clip([[template.size or SIZES[0]] for template in alternatives], SIZES[0], SIZES[-1])
    around = np.exp(-0.5 * (np.log(SIZES / expected) / STRENGTH) ** 2)
    tail = np.where(expected <= SIZES, SIZE_PRIOR, 0.0)
    around, tail = (part / part.sum(axis=1, keepdims=True) for part in (around, tail))
    prior: Floats = np.where(known, (1 - TAIL) * around + TAIL * tail, SIZE_PRIOR)
    return prior


def _affected(alternatives: list[Template], each: Floats) -> Floats:
    """Probability (N,) that a note has at least MUCH of the pattern's full effect, given a leak, step or run."""
    chosen = [i for i, template in enumerate(alternatives) if template.kind in RUNNING]
    shapes = np.array([alternatives[i].shape for i in chosen])
    much = shapes >= MUCH * shapes.max(axis=1, keepdims=True)
    probability: Floats = each[chosen] @ much / max(each[chosen].sum(), 1e-300)
    return probability


def log_ratios(view: View) -> Floats:
    """Log likelihood of each alternative with each of SIZES over that of nothing, (I, T, S); 0 where z cannot tell."""
    out = np.zeros((len(view.z), len(view.alternatives), len(SIZES)))
    masks, which = np.unique(np.isfinite(view.z), axis=0, return_inverse=True)
    shapes = np.array([template.shape for template in view.alternatives])
    for m in np.flatnonzero(masks.sum(axis=1) >= MIN_FITTED_NOTES):
        mine, known = np.flatnonzero(which.ravel() == m), masks[m]
        out[mine] = _alike(view, mine, known, shapes[:, known])
    return out


def _alike(view: View, mine: Ints, known: Bools, shapes: Floats) -> Floats:
    """The same for the instruments `mine`, of all of which the notes `known` (N,) are; `shapes` there."""
    z = view.z[np.ix_(mine, known)]
    low = np.quantile(z, CLEAN, axis=1)
    y = np.clip(z - low[:, None], *CLIP)
    healthy = view.covariance[np.ix_(known, known)]
    place = np.flatnonzero(known)
    near = _smooth(place[:, None] - place[None, :], REACH[0])
    rest = low - np.median(z, axis=1)

    reed = np.array([template.kind == "reed" for template in view.alternatives])

    def weighed(size: float, shapes: Floats, error: Floats) -> Floats:
        covariance = healthy + size**2 * error
        logs, clean, sd = _log_likelihood(y, covariance, np.clip(size * shapes, *CLIP))
        if view.whole is None:
            return logs
        return logs + view.whole.density(mine, clean + rest, np.hypot(sd, MODEL_ERROR * size))

    nothing = weighed(0.0, np.zeros((1, y.shape[1])), near)
    out = np.empty((len(mine), len(shapes), len(SIZES)))
    for which, error in ((~reed, MODEL_ERROR**2 * near), (reed, REED_ERROR**2 * (near + np.eye(len(near))) / 2)):
        for s, size in enumerate(SIZES):
            out[:, which, s] = (weighed(size, shapes[which], error) - nothing).T
    return out


def _log_likelihood(y: Floats, covariance: Floats, means: Floats) -> tuple[Floats, Floats, float]:
    """Log likelihood (T, I) of y (I, N) with each of `means` (T, N), up to a constant, offset and scale integrated out;
    the offsets (T, I) and their standard error."""
    inverse = np.linalg.inv(covariance)
    ones = inverse.sum(axis=0)
    projected = inverse - np.outer(ones, ones) / ones.sum()
    of_y, of_means = y @ projected, means @ projected
    misfit = (of_means * means).sum(axis=1)[:, None] - 2 * means @ of_y.T + (of_y * y).sum(axis=1)
    volume = np.linalg.slogdet(covariance)[1] + np.log(ones.sum())
    logs = -0.5 * volume - 0.5 * (SCALE_FREEDOM + y.shape[1] - 1) * np.log(SCALE_FREEDOM + misfit)
    return logs, (y @ ones - (means @ ones)[:, None]) / ones.sum(), ones.sum() ** -0.5


def region(holes: dict[int, float], share: float, widen: int, most: int) -> tuple[int, int] | None:
    """Lowest and highest of the fewest neighbouring holes that hold `share` of the posterior, and `widen` more on
    either side; None when that makes more than `most`."""
    places = np.array(sorted(holes))
    gathered = np.concatenate([[0.0], np.cumsum([holes[place] for place in places])])
    for width in range(1, len(places) + 1):
        within = gathered[width:] - gathered[:-width]
        if within.max() >= share:
            start = int(np.argmax(within))
            low, high = max(start - widen, 0), min(start + width + widen, len(places)) - 1
            return (int(places[low]), int(places[high])) if high - low < most else None
    return None
