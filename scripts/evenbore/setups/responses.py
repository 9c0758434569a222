"""The response of each session's set-up (room, microphone, gain), from instruments recorded in several sessions.

Model, levels in dB: harmonic level = cell + response(session, frequency) + take + room effect + noise, where a
cell is one harmonic of one note of one instrument, in one state, dynamic and articulation. Cells recorded in one
session only say nothing about the responses and drop out. The response is piecewise linear over log frequency
between one-third-octave mid-bands, its bends held by a weak prior (BEND_SD_DB); the responses of a group sum to
zero in each band, so that "normalised" means "as the group's average set-up would have recorded it".
Fitted by Huber-weighted least squares (Huber 1964, Ann. Math. Stat. 35, 73). A harmonic that does not stand clear of
the noise in one take though it does in others is censored, not left out: else only the takes in which it came out loud
would tell, and a band near the noise would seem louder than it is. What is known of it is that it lies below the limit
(Tobin 1958, Econometrica 26, 24; its scores and information as in Amemiya 1973, Econometrica 41, 997; from memory).

The standard error has two parts: the scatter of whole takes (pooled over all repeat takes of the study; the take
is the unit) and the scatter of single harmonics of single notes (room modes), clustered by note and harmonic
(Liang & Zeger 1986, Biometrika 73, 13).
"""

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
import pandas as pd
from scipy import linalg, sparse, special
from scipy.interpolate import BSpline

from evenbore.facts.acoustics import third_octave_bands
from evenbore.facts.arrays import Bools, Floats, Floats32, Ints
from evenbore.setups.harmonics import HarmonicArrays
from evenbore.statistics.grouped import grouped_means

BAND_HZ = third_octave_bands(25.0).centre
# ASSUME: own choice, no source: what stands clear of the noise.
MIN_ABOVE_NOISE_DB = 10.0
# ASSUME: second difference of a set-up's response per one-third octave; a steep low cut bends by about 1.5 dB
BEND_SD_DB = 3.0
# ASSUME: standard deviation of a set-up's response beforehand: what no note links to the rest is known to no better
RESPONSE_SD_DB = 60.0
HUBER = 1.345  # 95 % efficient for normal noise
ROUNDS = 12
VARIANCE_KEPT = 0.995
TAKES_AT_ONCE = 32
CELL = ["instrument", "state", "dynamic", "articulation", "midi"]  # and the harmonic
REPLICATE = ["instrument", "state", "dynamic", "articulation", "direction", "session"]


@dataclass(frozen=True)
class Setups:
    """Responses of S sessions at B bands.

    `response_db` (S, B): NaN outside the bands that the links reach; 0 everywhere for a session that nothing
    links. `errors_db` (K, S, B): the estimate's error as K independent standard-normal directions, so that the
    variance of anything computed from the responses is the sum of its squared changes along them;
    None when the study holds no repeat takes to judge by. `group` (S,) and `linked` (S,).
    """

    sessions: tuple[str, ...]
    group: Ints
    linked: Bools
    response_db: Floats
    errors_db: Floats | None

    def at(self, session_index: Ints, frequency_hz: Floats32, responses: Floats) -> Floats:
        """`responses` (S, B) of the sessions (N,) at frequencies (N, H), dB, linear in log frequency."""
        out = np.full(frequency_hz.shape, np.nan)
        for s in np.unique(session_index):
            rows = session_index == s
            known = np.isfinite(self.response_db[s])
            if not known.any():
                continue
            out[rows] = np.interp(
                np.log(frequency_hz[rows]),
                np.log(BAND_HZ[known]),
                responses[s, known],
                left=np.nan,
                right=np.nan,
            )
        return out

    def table(self) -> pd.DataFrame:
        """The set-ups table; the standard error is empty where nothing links or nothing was repeated."""
        s, b = np.nonzero(np.isfinite(self.response_db))
        se = np.full(self.response_db.shape, np.nan)
        if self.errors_db is not None:
            se[self.linked] = np.sqrt((self.errors_db**2).sum(axis=0))[self.linked]
        return pd.DataFrame(
            {
                "group": self.group[s],
                "session": np.array(self.sessions, dtype=object)[s],
                "band_hz": BAND_HZ[b],
                "response_db": self.response_db[s, b],
                "response_se_db": se[s, b],
            }
        )


class _Rows(NamedTuple):
    """Harmonics (R,): numbers of their cell, tone, recording and session, frequency and level.

    `censored`: does not stand clear of the noise; `level_db` is the limit that it lies below.
    """

    cell: Ints
    tone: Ints
    recording: Ints
    session: Ints
    frequency_hz: Floats32
    level_db: Floats
    censored: Bools

    def of(self, which: Bools) -> "_Rows":
        """These of the harmonics."""
        return _Rows(*(column[which] for column in self))  # type: ignore[arg-type]  # each keeps its own type


def estimate_setups(notes: pd.DataFrame, harmonics: HarmonicArrays, groups: dict[str, int]) -> Setups:
    """Estimate every session's response.

    `notes`: one row per note with the columns CELL, `recording`, `direction` and `session`; `harmonics`: theirs;
    `groups`: session -> comparability group.
    """
    sessions = tuple(groups)
    number = np.array([groups[s] for s in sessions], int)
    linked = np.array([(number == g).sum() > 1 for g in number], bool)
    response = np.where(linked[:, None], np.nan, 0.0) * np.ones(BAND_HZ.size)
    clear = harmonics.above_noise_db >= MIN_ABOVE_NOISE_DB
    take_root = _take_root(notes, harmonics, clear)

    session = pd.Categorical(notes["session"], categories=sessions).codes.astype(int)
    shared = _shared_rows(notes, harmonics, clear, session)
    directions = []
    for g in np.unique(number[linked]):
        members = np.flatnonzero(number == g)
        in_group = np.isin(shared.session, members)
        own = np.searchsorted(members, shared.session[in_group])
        # the rows of many takes of a reference are large: no name here holds them while they are fitted
        fitted, factor, reached = _fit(shared.of(in_group)._replace(session=own), len(members), take_root)
        response[members] = np.where(reached, fitted, np.nan)
        if factor is not None:
            block = np.zeros((factor.shape[0], len(sessions), BAND_HZ.size))
            block[:, members] = factor
            directions.append(block)
    errors = None if take_root is None else np.concatenate(directions) if directions else np.zeros((0, *response.shape))
    return Setups(sessions, number, linked, response, errors)


def _hidden_below(harmonics: HarmonicArrays, clear: Bools, cell: Ints, session: Ints) -> Floats32:
    """The level (N, H) that a harmonic lies below which does not stand clear of the noise though other notes of its
    cell show it; NaN elsewhere.

    The limit is MIN_ABOVE_NOISE_DB over the session's noise near that frequency, as the harmonics that are there tell;
    beyond the highest and lowest of these (a recorder's limits) nothing is said of any.
    """
    heard = np.zeros((cell.max(initial=-1) + 1, clear.shape[1]), bool)
    np.logical_or.at(heard, cell, clear)
    there = np.isfinite(harmonics.level_db)
    hidden = heard[cell] & ~clear & there.any(axis=1, keepdims=True)
    limit = np.full(clear.shape, np.nan, np.float32)
    for number in np.unique(session):
        rows = session == number
        known, frequency = there[rows], harmonics.frequency_hz[rows]
        noise = pd.Series((harmonics.level_db[rows] - harmonics.above_noise_db[rows])[known])
        by_band = noise.groupby(_band(frequency[known])).median()
        if len(by_band):
            at = np.interp(band_place(frequency), by_band.index, by_band, left=np.nan, right=np.nan)
            limit[rows] = np.where(hidden[rows], at + MIN_ABOVE_NOISE_DB, np.nan)
    return limit


def _in_several(present: Bools, cell: Ints, where: Ints) -> Bools:
    """Whether the harmonics of each note's cell (N,) are `present` (N, H) in several different `where` (N,); (N, H)."""
    pairs, pair = np.unique(np.column_stack([cell, where]), axis=0, return_inverse=True)
    any_present = np.zeros((len(pairs), present.shape[1]), bool)
    np.logical_or.at(any_present, pair.ravel(), present)
    count = np.zeros((cell.max(initial=-1) + 1, present.shape[1]), np.int32)
    np.add.at(count, pairs[:, 0], any_present)
    return (count > 1)[cell]


def _shared_rows(notes: pd.DataFrame, harmonics: HarmonicArrays, clear: Bools, session: Ints) -> _Rows:
    """The harmonics (R,) whose cell was recorded in several of the sessions (N,), which are then of one group."""
    cell = notes.groupby(CELL, sort=False, dropna=False).ngroup().to_numpy()
    limit = _hidden_below(harmonics, clear, cell, session)
    present = clear | np.isfinite(limit)
    note, harmonic = np.nonzero(present & _in_several(present, cell, session))
    censored = ~clear[note, harmonic]
    level = np.where(censored, limit[note, harmonic], harmonics.level_db[note, harmonic])
    recording, midi = (pd.factorize(notes[key])[0][note].astype(np.int32) for key in ("recording", "midi"))
    return _Rows(
        cell=(cell[note] * clear.shape[1] + harmonic).astype(np.int32),
        tone=(midi * clear.shape[1] + harmonic).astype(np.int32),
        recording=recording,
        session=session[note],
        frequency_hz=harmonics.frequency_hz[note, harmonic],
        level_db=level.astype(float),
        censored=censored,
    )


def band_place(frequency_hz: Floats | Floats32) -> Floats:
    """Where frequencies lie among the bands, with fractions, same shape; 0 is the first."""
    place: Floats = 10 * np.log10(np.asarray(frequency_hz, float) / BAND_HZ[0])
    return place


def _band(frequency_hz: Floats | Floats32) -> Ints:
    """The nearest band's number (N,)."""
    return np.rint(band_place(frequency_hz)).clip(0, BAND_HZ.size - 1).astype(int)


def _hats(place: Floats, block: Ints, bands: int, n_blocks: int) -> sparse.csr_array:
    """Weights (n, n_blocks * bands) of linear interpolation between `bands` at `place` (n,), in each row's block."""
    knots = np.concatenate([[0], np.arange(bands), [bands - 1]]).astype(float)
    weights = BSpline.design_matrix(np.clip(place, 0, bands - 1), knots, 1)
    columns = weights.indices + np.repeat(block * bands, 2)
    return sparse.csr_array((weights.data, columns, weights.indptr), shape=(block.size, n_blocks * bands))


def _take_root(notes: pd.DataFrame, harmonics: HarmonicArrays, clear: Bools) -> Floats | None:
    """Root (B, K) of the covariance (B, B) of a take's deviation from its repeats, pooled over the study; None without
    repeats.

    Pooled as ISO 5725-2 pools repeatability: sums of squares over degrees of freedom.
    """
    cell = notes.groupby([*REPLICATE, "midi"], sort=False, dropna=False).ngroup().to_numpy()
    take, names = pd.factorize(notes["recording"])
    repeated = clear & _in_several(clear, cell, take)
    if not repeated.any():
        return None
    values, count = np.zeros((2, len(names) * BAND_HZ.size))
    for level, frequency, which in zip(harmonics.level_db.T, harmonics.frequency_hz.T, repeated.T, strict=True):
        means = grouped_means(level[which], cell[which], cell.max() + 1)[0]
        place = take[which] * BAND_HZ.size + _band(frequency[which])
        np.add.at(values, place, level[which] - means[cell[which]])
        np.add.at(count, place, 1)
    values = np.divide(values, count, out=values, where=count > 0)
    values, count = (array.reshape(len(names), BAND_HZ.size) for array in (values, count))
    told = (count > 0).any(axis=1)
    # a set of n repeats has n - 1 degrees of freedom: each take counts (n - 1) / n
    replicate = (
        notes.groupby(REPLICATE, sort=False, dropna=False).ngroup().to_numpy()[np.unique(take, return_index=True)[1]]
    )
    share = 1 - 1 / np.maximum(np.bincount(replicate[told], minlength=replicate.max() + 1), 1)[replicate]
    values, known = np.nan_to_num(values[told]), (count[told] > 0).astype(float)
    freedom = known.T @ (known * share[told, None])
    covariance = np.divide(values.T @ values, freedom, out=np.zeros_like(freedom), where=freedom > 0)
    eigenvalue, vector = np.linalg.eigh(covariance)
    root: Floats = vector[:, eigenvalue > 0] * np.sqrt(eigenvalue[eigenvalue > 0])
    return root


def _below(
    limit: Floats, fitted: Floats, noise: float, censored: Bools, y: Floats, weight: Floats
) -> tuple[Floats, Floats]:
    """`y` and `weight` (N,) for the next round: those of censored rows make least squares take the step that maximises
    the likelihood of lying below `limit` where `fitted` is expected, with normal scatter `noise`."""
    away = (limit - fitted) / noise
    ratio = np.exp(-(away**2) / 2 - np.log(np.sqrt(2 * np.pi)) - special.log_ndtr(away))
    gain = np.maximum(ratio + away, 1e-6)
    return np.where(censored, fitted - noise / gain, y), np.where(censored, np.maximum(ratio * gain, 1e-6), weight)


def _fit(rows: _Rows, s: int, take_root: Floats | None) -> tuple[Floats, Floats | None, Bools]:
    """Responses (S, B) of one group of `s` sessions, their error directions (K, S, B) and which are reached (S, B)."""
    reached = np.zeros((s, BAND_HZ.size), bool)
    heard = band_place(rows.frequency_hz[~rows.censored]).clip(0, BAND_HZ.size - 1)
    if not heard.size:  # joined by an instrument, but never by the same note in the same dynamic and articulation
        return np.zeros(reached.shape), None, reached
    # only bands in reach of what is heard are estimated: memory grows with the square of their number
    first = min(int(heard.min()), BAND_HZ.size - 2)
    b = min(int(heard.max()) + 2, BAND_HZ.size) - first
    place = band_place(rows.frequency_hz) - first
    told = ~rows.censored | ((place > -1) & (place < b))
    rows, place = rows.of(told), place[told]
    n, y, censored = len(rows.cell), rows.level_db, rows.censored
    cell, tone = (np.unique(numbers, return_inverse=True)[1] for numbers in (rows.cell, rows.tone))
    design = _hats(place, rows.session, b, s)
    cells = sparse.csr_array((np.ones(n), (cell, np.arange(n))), shape=(cell.max() + 1, n))

    bend = np.diff(np.eye(b), n=2, axis=0)
    weight, noise, limit = np.where(censored, 1e-6, 1.0), 1.0, y.copy()
    for _ in range(ROUNDS):
        # least squares within cells: design less its cells' weighted means, which themselves are never written out
        weighted = sparse.csr_array(sparse.diags_array(weight) @ design)
        sums = cells @ weighted
        totals: Floats = cells @ weight
        means = sparse.csr_array(sparse.diags_array(1 / totals) @ sums)
        held = (noise / RESPONSE_SD_DB) ** 2
        normal = np.diag(np.full(s * b, held))
        # the sum over sessions is all but unknown to the data (only slight mistuning tells): tie it to zero
        normal.reshape(s, b, s, b)[:, np.arange(b), :, np.arange(b)] += 1e4
        by_column, sums_by_column = sparse.csr_array(weighted.T), sparse.csr_array(sums.T)
        for number in range(s):  # one by one, for together they are large
            own = slice(number * b, (number + 1) * b)
            normal[own] += (by_column[own] @ design - sums_by_column[own] @ means).toarray()
            normal[own, own] += (noise / BEND_SD_DB) ** 2 * bend.T @ bend
        del by_column, sums, sums_by_column
        factor = linalg.cho_factor(normal.T, lower=True, overwrite_a=True, check_finite=False)
        sums_y = np.asarray(cells @ (weight * y))
        centred_y = y - (sums_y / totals)[cell]
        solution = linalg.cho_solve(factor, weighted.T @ centred_y)
        residual = centred_y - design @ solution + (means @ solution)[cell]
        used = weight
        noise = max(1.4826 * np.median(np.abs(residual[~censored])), 1e-6)
        weight = np.minimum(1.0, HUBER * noise / np.maximum(np.abs(residual), 1e-12))
        y, weight = _below(limit, y - residual, noise, censored, y, weight)

    fitted, bands = np.zeros(reached.shape), slice(first, first + b)
    fitted[:, bands] = solution.reshape(s, b)
    reached[:, bands] = (abs(design[~censored]).sum(axis=0) > 0).reshape(s, b)
    # inner bands that no harmonic falls into are bridged, outer ones are not guessed
    reached = np.maximum.accumulate(reached, axis=1) & np.maximum.accumulate(reached[:, ::-1], axis=1)[:, ::-1]
    if take_root is None:
        return fitted, None, reached

    del weighted
    by_tone = sparse.csr_array((residual * used, (tone, np.arange(n))), shape=(tone.max() + 1, n))
    scores = (by_tone @ design - (by_tone @ cells.T) @ means).toarray()
    middle = scores.T @ scores
    middle[np.diag_indices(s * b)] += noise**2 * held
    hats = sparse.csr_array(sparse.diags_array(used) @ _hats(place, np.zeros(n, int), b, 1))
    columns = sparse.csc_array(cells)
    takes = list(pd.Series(rows.recording).groupby(rows.recording).indices.values())
    for begin in range(0, len(takes), TAKES_AT_ONCE):
        leverage = (
            design[take].T @ hats[take] - means.T @ (columns[:, take] @ hats[take])
            for take in takes[begin : begin + TAKES_AT_ONCE]
        )
        moved = np.hstack([of_take.toarray() @ take_root[bands] for of_take in leverage])
        middle += moved @ moved.T
    del design, hats, columns, cells, means, by_tone, scores
    inner = np.flatnonzero(reached[:, bands])
    inverse = np.zeros((s * b, inner.size), order="F")
    inverse[inner, np.arange(inner.size)] = 1.0
    inverse = linalg.cho_solve(factor, inverse, overwrite_b=True)
    eigenvalue, vector = linalg.eigh(inverse.T @ middle @ inverse)
    keep = np.cumsum(eigenvalue[::-1]) <= VARIANCE_KEPT * eigenvalue.sum()
    keep[: keep.sum() + 1] = True
    directions = np.zeros((keep.sum(), *reached.shape))
    directions[:, reached] = (np.sqrt(np.clip(eigenvalue[::-1][keep], 0, None)) * vector[:, ::-1][:, keep]).T
    return fitted, directions, reached
