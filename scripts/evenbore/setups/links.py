"""What the links between sessions are worth, in numbers and in words for those who record.

One more linking take: the variance of a session's offset is that of least squares of take = instrument in its state +
session, in units of a take's variance (connected designs: Searle, Linear Models, 1971, ch. 7, from memory); the
standard error of the link goes with its root. Limits for what is odd about a response: common practice, no source.
"""

import numpy as np
import pandas as pd

from evenbore.facts.arrays import Floats
from evenbore.facts.rows import Row
from evenbore.statistics.grouped import joined_parts

COVARIATES = {"player": "player", "mouthpiece": "mouthpiece or head joint", "reed": "reed"}
LOW_HZ, HIGH_HZ = (0.0, 200.0), (5000.0, np.inf)
BESIDE_LOW_HZ, BESIDE_HIGH_HZ = (300.0, 1000.0), (1000.0, 3000.0)
CUT_DB = 6.0
RESONANCE_DB = 4.0  # from the line through the two bands on either side
SURE_ERRORS = 2.0  # standard errors


def _offset_variances(counts: Floats) -> Floats:
    """Variance of each session's offset (S,) in units of a take's, from the takes of instruments in sessions (I, S).

    Offsets sum to zero over joined sessions; 0 for a session that nothing joins.
    """
    totals = np.maximum(counts.sum(axis=1, keepdims=True), 1)
    normal = np.diag(counts.sum(axis=0)) - counts.T @ (counts / totals)
    return np.diag(np.linalg.pinv(normal, rcond=1e-9, hermitian=True))


def one_more_take(recordings: pd.DataFrame) -> pd.DataFrame:
    """For each session that is linked: `best`, the instrument of which one more take here would help most, and `part`,
    the part of the link's standard error that would be left; indexed by session.

    `recordings`: the usable ones, with instrument, state and session.
    """
    counts = pd.crosstab([recordings["instrument"], recordings["state"]], recordings["session"])
    grid = counts.to_numpy(float)
    now = _offset_variances(grid)
    rows = {}
    for s, session in enumerate(counts.columns):
        linking = np.flatnonzero((grid[:, s] > 0) & ((grid > 0).sum(axis=1) > 1))
        if not linking.size or now[s] <= 0:
            continue
        after = []
        for i in linking:
            more = grid.copy()
            more[i, s] += 1
            after.append(_offset_variances(more)[s])
        best = int(np.argmin(after))
        rows[session] = {"best": counts.index[linking[best]][0], "part": float(np.sqrt(after[best] / now[s]))}
    return pd.DataFrame.from_dict(rows, orient="index", columns=["best", "part"])


def odd_responses(setups: pd.DataFrame) -> dict[str, str]:
    """Session -> in words, what is odd about its response beside the mean of its group; only sessions with something.

    `setups`: the table of that name.
    """
    words: dict[str, str] = {}
    for session, rows in setups.sort_values("band_hz").groupby("session", sort=False):
        band, level = rows["band_hz"].to_numpy(float), rows["response_db"].to_numpy(float)
        error = rows["response_se_db"].fillna(0.0).to_numpy(float)
        said = [
            _end(band, level, LOW_HZ, BESIDE_LOW_HZ, "lows under 200 Hz"),
            _end(band, level, HIGH_HZ, BESIDE_HIGH_HZ, "highs over 5 kHz"),
            *_peaks(band, level, error),
        ]
        if any(said):
            words[str(session)] = "; ".join(part for part in said if part)
    return words


def _mean_in(band: Floats, level: Floats, limits: tuple[float, float]) -> float:
    inside = (band >= limits[0]) & (band <= limits[1]) & np.isfinite(level)
    return float(level[inside].mean()) if inside.any() else np.nan


def _end(band: Floats, level: Floats, end: tuple[float, float], beside: tuple[float, float], name: str) -> str:
    change = _mean_in(band, level, end) - _mean_in(band, level, beside)
    if not abs(change) >= CUT_DB:
        return ""
    return f"{name} {abs(change):.0f} dB {'weaker' if change < 0 else 'stronger'} than in the group's other sessions"


def _peaks(band: Floats, level: Floats, error: Floats) -> list[str]:
    """Bands more than RESONANCE_DB and SURE_ERRORS standard errors from the line through their neighbours."""
    said = []
    for i in range(2, band.size - 2):
        near = np.array([i - 2, i - 1, i + 1, i + 2])
        away = level[i] - level[near].mean()
        if abs(away) >= RESONANCE_DB and abs(away) >= SURE_ERRORS * error[i]:
            said.append(f"{'a resonance' if away > 0 else 'a hole'} near {band[i]:.0f} Hz ({away:+.0f} dB)")
    return said


def inseparable(recordings: list[Row]) -> dict[str, str]:
    """Instrument -> in words, what changes along with it, so that it cannot be told from the instrument.

    `recordings`: rows of the sheet. Instruments and the values of a covariate are joined by recordings; what is in no
    part with the others is played with players, mouthpieces or reeds of its own. Blank cells are one value.
    """
    words: dict[str, list[str]] = {}
    instrument, names = pd.factorize(np.array([row["instrument"] for row in recordings], object))
    for column, name in COVARIATES.items():
        value = pd.factorize(np.array([row.get(column) or "" for row in recordings], object))[0]
        part = joined_parts(instrument, value)
        size = np.bincount(part)
        for one, own in zip(names, part, strict=True):
            if size.size > 1:
                others = "the others" if size[own] == 1 else "some of the others"
                words.setdefault(one, []).append(f"never played with the {name} of {others}")
    return {
        instrument: f"{' and '.join(said)}: what differs may be theirs as well as the instrument's"
        for instrument, said in words.items()
    }
