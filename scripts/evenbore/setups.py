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

import numpy as np
import pandas as pd
from scipy import sparse
from scipy.stats import norm

BAND_HZ = 1000.0 * 10.0 ** (np.arange(-16, 14) / 10.0)  # 25 Hz to 20 kHz, IEC 61260-1 exact mid-bands
MIN_ABOVE_NOISE_DB = 10.0
# ASSUME: second difference of a set-up's response per one-third octave; a steep low cut bends by about 1.5 dB
BEND_SD_DB = 3.0
HUBER = 1.345  # 95 % efficient for normal noise
ROUNDS = 12
VARIANCE_KEPT = 0.995
CELL = ["instrument", "state", "dynamic", "articulation", "midi", "harmonic"]
PLAYED = ["recording", "pass", "step"]
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
    group: np.ndarray
    linked: np.ndarray
    response_db: np.ndarray
    errors_db: np.ndarray | None

    def at(self, session_index: np.ndarray, frequency_hz: np.ndarray, responses: np.ndarray) -> np.ndarray:
        """`responses` (S, B) of the sessions (N,) at frequencies (N, H), dB, linear in log frequency."""
        out = np.full(frequency_hz.shape, np.nan)
        for s in range(len(self.sessions)):
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


def estimate_setups(levels: pd.DataFrame, groups: dict[str, int]) -> Setups:
    """Estimate every session's response.

    `levels`: one row per harmonic with the columns CELL, PLAYED, `direction`, `session`, `frequency_hz`, `level_db`,
    `above_noise_db`. `groups`: session -> comparability group.
    """
    sessions = tuple(groups)
    number = np.array([groups[s] for s in sessions], int)
    linked = np.array([(number == g).sum() > 1 for g in number], bool)
    response = np.where(linked[:, None], np.nan, 0.0) * np.ones(BAND_HZ.size)
    clear = levels[levels["above_noise_db"] >= MIN_ABOVE_NOISE_DB]
    take_covariance = _take_covariance(clear)

    shared = _with_censored(levels, clear)
    shared = shared[shared.groupby(CELL)["session"].transform("nunique") > 1]
    directions = []
    for g in np.unique(number[linked]):
        members = np.flatnonzero(number == g)
        rows = shared[shared["session"].isin([sessions[s] for s in members])]
        fitted, factor, reached = _fit(rows, [sessions[s] for s in members], take_covariance)
        response[members] = np.where(reached, fitted, np.nan)
        if factor is not None:
            block = np.zeros((factor.shape[0], len(sessions), BAND_HZ.size))
            block[:, members] = factor
            directions.append(block)
    errors = (
        None
        if take_covariance is None
        else np.concatenate(directions)
        if directions
        else np.zeros((0, *response.shape))
    )
    return Setups(sessions, number, linked, response, errors)


def _with_censored(levels: pd.DataFrame, clear: pd.DataFrame) -> pd.DataFrame:
    """`clear` and, `censored`, what the same cells' other takes do not show: its `level_db` is the limit it lies below.

    The limit is MIN_ABOVE_NOISE_DB over the session's noise near that frequency, as the harmonics that are there tell;
    beyond the highest and lowest of these (a recorder's limits) nothing is said of any.
    """
    keys = [*PLAYED, "harmonic"]
    notes = levels.assign(f0=levels["frequency_hz"] / levels["harmonic"]).drop_duplicates(PLAYED)
    expected = notes[[*PLAYED, *CELL[:-1], "session", "f0"]].merge(clear[CELL].drop_duplicates(), on=CELL[:-1])
    hidden = expected.merge(clear[keys].assign(there=True), on=keys, how="left")
    hidden = hidden[hidden["there"].isna()]
    hidden = hidden.assign(frequency_hz=hidden["f0"] * hidden["harmonic"], level_db=np.nan)
    noise = levels["level_db"] - levels["above_noise_db"]
    for session, rows in hidden.groupby("session").indices.items():
        own = levels["session"] == session
        by_band = noise[own].groupby(_band(levels["frequency_hz"][own])).median()
        at = np.interp(_place(hidden["frequency_hz"].iloc[rows]), by_band.index, by_band, left=np.nan, right=np.nan)
        hidden.iloc[rows, hidden.columns.get_loc("level_db")] = at + MIN_ABOVE_NOISE_DB
    hidden = hidden.dropna(subset="level_db")
    columns = [*CELL, "recording", "session", "frequency_hz", "level_db", "censored"]
    return pd.concat([part.assign(censored=part is hidden)[columns] for part in (clear, hidden)], ignore_index=True)


def _place(frequency_hz) -> np.ndarray:
    """Where frequencies (N,) lie among the bands, with fractions; 0 is the first."""
    return np.log(np.asarray(frequency_hz, float) / BAND_HZ[0]) / np.log(BAND_HZ[1] / BAND_HZ[0])


def _band(frequency_hz) -> np.ndarray:
    """The nearest band's number (N,)."""
    return np.rint(_place(frequency_hz)).clip(0, BAND_HZ.size - 1).astype(int)


def _hats(frequency_hz: np.ndarray, block: np.ndarray, blocks: int) -> sparse.csr_array:
    """(n, blocks * B) weights of linear interpolation over log frequency, each row in its own block of B columns."""
    place = np.clip(_place(frequency_hz), 0, BAND_HZ.size - 1 - 1e-9)
    lower = np.floor(place).astype(int)
    row, column = np.arange(place.size), block * BAND_HZ.size + lower
    return sparse.csr_array(
        (
            np.concatenate([1 - (place - lower), place - lower]),
            (np.concatenate([row, row]), np.concatenate([column, column + 1])),
        ),
        shape=(place.size, blocks * BAND_HZ.size),
    )


def _take_covariance(levels: pd.DataFrame) -> np.ndarray | None:
    """(B, B) covariance of a take's deviation from its repeats, pooled over the study; None without repeats.

    Pooled as ISO 5725-2 pools repeatability: sums of squares over degrees of freedom.
    """
    if levels.empty:
        return None
    band = _band(levels["frequency_hz"])
    cell = levels.groupby([*REPLICATE, "midi", "harmonic"])
    frame = levels.assign(
        band=band,
        deviation=levels["level_db"] - cell["level_db"].transform("mean"),
        n=cell["recording"].transform("nunique"),
    )
    frame = frame[frame["n"] > 1]
    if frame.empty:
        return None
    takes = frame.groupby([*REPLICATE, "recording", "band"])["deviation"].mean().unstack("band")
    takes = takes.reindex(columns=range(BAND_HZ.size))
    # a set of n repeats has n - 1 degrees of freedom: each take counts (n - 1) / n
    share = 1 - 1 / takes.groupby(REPLICATE)[takes.columns[0]].transform("size").to_numpy(float)
    values = takes.to_numpy()
    known = np.isfinite(values).astype(float)
    values = np.nan_to_num(values)
    freedom = known.T @ (known * share[:, None])
    covariance = np.divide(values.T @ values, freedom, out=np.zeros_like(freedom), where=freedom > 0)
    eigenvalue, vector = np.linalg.eigh(covariance)
    return (vector * np.clip(eigenvalue, 0, None)) @ vector.T


def _below(limit, fitted, noise: float, censored, y, weight) -> tuple[np.ndarray, np.ndarray]:
    """`y` and `weight` (N,) for the next round: those of censored rows make least squares take the step that maximises
    the likelihood of lying below `limit` where `fitted` is expected, with normal scatter `noise`."""
    away = (limit - fitted) / noise
    ratio = np.exp(norm.logpdf(away) - norm.logcdf(away))
    gain = np.maximum(ratio + away, 1e-6)
    return np.where(censored, fitted - noise / gain, y), np.where(censored, np.maximum(ratio * gain, 1e-6), weight)


def _fit(rows: pd.DataFrame, sessions: list[str], take_covariance: np.ndarray | None):
    """Responses (S, B) of one group, their error directions (K, S, B) and which are reached (S, B)."""
    s, b = len(sessions), BAND_HZ.size
    n = len(rows)
    if n == 0:  # joined by an instrument, but never by the same note in the same dynamic and articulation
        return np.zeros((s, b)), None, np.zeros((s, b), bool)
    y, censored = rows["level_db"].to_numpy(), rows["censored"].to_numpy()
    session = pd.Categorical(rows["session"], categories=sessions).codes.astype(int)  # codes are too short to multiply
    frequency = rows["frequency_hz"].to_numpy()
    hats = _hats(frequency, np.zeros(n, int), 1)
    design = _hats(frequency, session, s)
    cell = rows.groupby(CELL, sort=False).ngroup().to_numpy()
    cells = sparse.csr_array((np.ones(n), (cell, np.arange(n))), shape=(cell.max() + 1, n))

    bends = np.kron(np.eye(s), np.diff(np.eye(b), n=2, axis=0))
    # the sum over sessions is all but unknown to the data (only slight mistuning tells): tie it to zero
    zero_sum = 1e4 * np.kron(np.ones((s, s)), np.eye(b))

    weight, noise, limit = np.where(censored, 1e-6, 1.0), 1.0, y.copy()
    for _ in range(ROUNDS):
        per_cell = cells @ weight
        centred = design - sparse.csr_array(
            cells.T @ (sparse.diags_array(1 / per_cell) @ (cells @ (sparse.diags_array(weight) @ design)))
        )
        centred_y = y - ((cells @ (weight * y)) / per_cell)[cell]
        weighted = sparse.csr_array(sparse.diags_array(weight) @ centred)
        normal = (weighted.T @ centred).toarray() + (noise / BEND_SD_DB) ** 2 * bends.T @ bends + zero_sum
        solution = np.linalg.solve(normal, weighted.T @ centred_y)
        residual = centred_y - centred @ solution
        noise = max(1.4826 * np.median(np.abs(residual[~censored])), 1e-6)
        weight = np.minimum(1.0, HUBER * noise / np.maximum(np.abs(residual), 1e-12))
        y, weight = _below(limit, y - residual, noise, censored, y, weight)

    reached = (abs(design[~censored]).sum(axis=0) > 0).reshape(s, b)
    # inner bands that no harmonic falls into are bridged, outer ones are not guessed
    reached = np.maximum.accumulate(reached, axis=1) & np.maximum.accumulate(reached[:, ::-1], axis=1)[:, ::-1]
    if take_covariance is None:
        return solution.reshape(s, b), None, reached

    inverse = np.linalg.inv(normal)
    tone = rows.groupby(["midi", "harmonic"]).ngroup().to_numpy()
    by_tone = sparse.csr_array((np.ones(n), (tone, np.arange(n))), shape=(tone.max() + 1, n))
    scores = (by_tone @ (sparse.diags_array(residual) @ weighted)).toarray()
    middle = scores.T @ scores
    for take in rows.groupby("recording").indices.values():
        leverage = (weighted[take].T @ hats[take]).toarray()
        middle += leverage @ take_covariance @ leverage.T
    covariance = inverse @ middle @ inverse
    eigenvalue, vector = np.linalg.eigh(covariance)
    keep = np.cumsum(eigenvalue[::-1]) <= VARIANCE_KEPT * eigenvalue.sum()
    keep[: keep.sum() + 1] = True
    directions = (np.sqrt(np.clip(eigenvalue[::-1][keep], 0, None)) * vector[:, ::-1][:, keep]).T
    return solution.reshape(s, b), directions.reshape(-1, s, b), reached
