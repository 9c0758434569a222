"""How dull each note sounds against the same note of the other instruments.

A row is one instrument in one state, session, dynamic, articulation and direction: its takes averaged, the take
being the unit. Three measures, each over its robust scatter between rows, make one score, positive = duller:

    score = -(level / s_level + brightness / s_brightness + log2 centroid / s_centroid) / sqrt(3)

A row's median over the notes is taken out first: a softer or darker take as a whole is not a dull note. What
remains is, note by note,

    score = mean of the condition + own deviation of the instrument + effect of the session's room + noise,

with variances learned by median absolute deviation from pairs of rows. The reference of an instrument is the best
linear prediction (Henderson 1975, Biometrics 31, 423) from the OTHER instruments only, those of its own session
counting most; so a note that the room weakens in every instrument of a session is part of the reference.
"""

from dataclasses import dataclass

import numpy as np
import pandas as pd

ROW = ["instrument", "state", "session", "dynamic", "articulation", "direction"]
CONDITION = ["dynamic", "articulation", "direction"]
MEASURES = ("level", "brightness", "centroid")
MIN_PEERS = 3  # other instruments that a reference needs
MAD_TO_SD = 1.4826  # of normal noise
POOLED = 10.0  # instruments that the scatter over all notes counts for, at each note
WINSOR = 2.5  # standard deviations beyond which a peer's note counts no further
# ASSUME: a floor so that copies of one recording do not make every difference significant
SMALLEST_SD = 0.05


@dataclass(frozen=True)
class Rows:
    """Take means of one family and comparability group.

    `keys`: columns ROW and `takes`, one line per row. `written` (N,). `value`: measure -> (R, N), NaN where not
    measured.
    """

    keys: pd.DataFrame
    written: np.ndarray
    value: dict[str, np.ndarray]


@dataclass(frozen=True)
class Dullness:
    """Deviations of I instruments-in-a-state from their references.

    `owners`: (instrument, state) each. `z` (I, N): deviation over its standard deviation between healthy peers,
    positive = duller, NaN where there is no reference; `pitch_z` and `noise_z` (I, N) the same of pitch, positive =
    sharper, and of noise, positive = noisier, after each row's median is taken out. `shift` (I,): score of the whole
    instrument (row medians) against the others; `shift_z` the same over the others' robust scatter. `peers`: number
    of other instruments. `session_z`: session -> (N,) common deviation of all its instruments over its standard error,
    NaN unless all of them are duller.
    """

    owners: list[tuple[str, str]]
    z: np.ndarray
    pitch_z: np.ndarray
    noise_z: np.ndarray
    shift: np.ndarray
    shift_z: np.ndarray
    peers: int
    session_z: dict[str, np.ndarray]


def collect_rows(notes: pd.DataFrame, written: np.ndarray) -> Rows:
    """Rows of `notes` (normalised notes of one family and group); `written` is each line's written note."""
    notes = notes.assign(
        written=written,
        level=notes["level_dbfs"],
        brightness=notes["brightness_db"],
        centroid=np.log2(notes["centroid_hz"].astype(float)),
        noise=-notes["hnr_db"],
        attack=notes["attack_ms"].where(notes["articulation"] == "tongued"),
    )
    columns = [*MEASURES, "noise", "attack", "cents"]
    # a note played twice in one recording counts once
    takes = notes.groupby([*ROW, "recording", "written"], sort=True)[columns].mean().astype(float)
    grid = takes.unstack("written")
    axis = np.sort(notes["written"].unique())
    means = grid.groupby(level=ROW).mean()
    counts = grid.groupby(level=ROW).size()
    value = {name: means[name].reindex(columns=axis).to_numpy(float) for name in columns}
    return Rows(means.index.to_frame(index=False).assign(takes=counts.to_numpy()), axis, value)


def robust_sd(values: np.ndarray) -> float:
    """Standard deviation about zero by the median absolute value; NaN for nothing."""
    finite = np.abs(values[np.isfinite(values)])
    return MAD_TO_SD * float(np.median(finite)) if finite.size else np.nan


def score(rows: Rows) -> tuple[np.ndarray, np.ndarray]:
    """Dullness scores (R, N) of rows with each row's median taken out, and those medians (R,)."""
    total = np.zeros(rows.value["level"].shape)
    for name in MEASURES:
        away = rows.value[name] - _condition_medians(rows.keys, rows.value[name])
        inner = away - _row_median(away)
        total -= away / max(robust_sd(inner), SMALLEST_SD) / np.sqrt(len(MEASURES))
    middle = _row_median(total)
    return total - middle, middle[:, 0]


def dullness(rows: Rows) -> Dullness | None:
    """Compare every instrument with the others; None when there are fewer than MIN_PEERS others."""
    keys = rows.keys
    if keys["instrument"].nunique() <= MIN_PEERS:
        return None
    values, middle = score(rows)
    owners = list(keys[["instrument", "state"]].drop_duplicates().itertuples(index=False, name=None))
    shift, shift_z = _whole_shift(keys, middle, owners)
    parts = _Components.of(keys, values)
    return Dullness(
        owners=owners,
        z=deviations(keys, values),
        pitch_z=deviations(keys, rows.value["cents"] - _row_median(rows.value["cents"])),
        noise_z=deviations(keys, rows.value["noise"] - _row_median(rows.value["noise"])),
        shift=shift,
        shift_z=shift_z,
        peers=keys["instrument"].nunique() - 1,
        session_z=_session_effects(keys, values, parts),
    )


def excess(rows: Rows, owner: tuple[str, str], measure: str) -> np.ndarray:
    """Own value minus the median of the other instruments', averaged over the owner's rows, (N,), for telling.

    The others of the same session where there are MIN_PEERS, else all; always of the same dynamic, articulation
    and direction.
    """
    keys, values, out = rows.keys, rows.value[measure], []
    other = (keys["instrument"] != owner[0]).to_numpy()
    for row in np.flatnonzero(_members(keys, [owner])[0]):
        alike = other & (keys[CONDITION] == keys.loc[row, CONDITION]).all(axis=1).to_numpy()
        near = alike & (keys["session"] == keys.at[row, "session"]).to_numpy()
        chosen = near if keys.loc[near, "instrument"].nunique() >= MIN_PEERS else alike
        if chosen.any():
            out.append(values[row] - _column_median(values[chosen]))
    return _column_mean(np.array(out)) if out else np.full(values.shape[1], np.nan)


def deviations(keys: pd.DataFrame, values: np.ndarray) -> np.ndarray:
    """Deviations (I, N) of the instruments-in-a-state of `keys`, in their order, from the others.

    In standard deviations. `values` (R, N): any measure of the rows, NaN where not measured.
    """
    parts = _Components.of(keys, values)
    covariance = parts.covariance(keys)
    first, sd, expected = _against_others(keys, values, values, covariance)
    tame = np.where(np.isfinite(first), expected + np.clip(first, -WINSOR * sd, WINSOR * sd), values)
    away, sd, _ = _against_others(keys, values, tame, covariance)
    owners = keys[["instrument", "state"]].drop_duplicates().itertuples(index=False, name=None)
    z = np.array([_pooled(away[own], sd[own], parts) for own in _members(keys, owners)])
    return z / _scatter(z)


def _scatter(z: np.ndarray) -> np.ndarray:
    """Robust standard deviation (N,) of z (I, N) at each note, drawn to that of all notes the more the fewer I."""
    inner = z - _row_median(z)
    each = MAD_TO_SD * np.array([np.median(np.abs(c[np.isfinite(c)])) if np.isfinite(c).any() else 0 for c in inner.T])
    n = np.isfinite(inner).sum(axis=0)
    variance = (POOLED * robust_sd(inner) ** 2 + n * each**2) / (POOLED + n)
    return np.sqrt(np.maximum(variance, SMALLEST_SD**2))


def _members(keys: pd.DataFrame, owners) -> list[np.ndarray]:
    return [((keys["instrument"] == name) & (keys["state"] == state)).to_numpy() for name, state in owners]


def _row_median(values: np.ndarray) -> np.ndarray:
    filled = np.where(np.isfinite(values).any(axis=1, keepdims=True), values, 0.0)
    return np.nanmedian(filled, axis=1, keepdims=True)


def _column_median(values: np.ndarray) -> np.ndarray:
    return pd.DataFrame(values).median().to_numpy()


def _column_mean(values: np.ndarray) -> np.ndarray:
    return pd.DataFrame(values).mean().to_numpy()


def _condition_medians(keys: pd.DataFrame, values: np.ndarray) -> np.ndarray:
    """Median over the rows of the same dynamic, articulation and direction, note by note, (R, N)."""
    return pd.DataFrame(values).groupby([keys[c] for c in CONDITION]).transform("median").to_numpy()


@dataclass(frozen=True)
class _Components:
    """Variances of a row's note: the instrument's own deviation, the session's room, and noise."""

    own: float
    session: float
    noise: float

    @classmethod
    def of(cls, keys: pd.DataFrame, values: np.ndarray) -> "_Components":
        """By median absolute deviation: between the rows of one session and condition; between pairs of rows of one
        instrument, in one session or in several."""
        together = [keys[column] for column in ("session", *CONDITION)]
        size = pd.Series(0, keys.index).groupby(together).transform("size").to_numpy()[:, None]
        away = values - pd.DataFrame(values).groupby(together).transform("median").to_numpy()
        away = np.where(size > MIN_PEERS, away * np.sqrt(size / np.maximum(size - 1, 1)), np.nan)
        values = values - _condition_medians(keys, values)
        between = robust_sd(away if np.isfinite(away).any() else values) ** 2
        owner, session, condition = (
            keys.groupby(columns, sort=False).ngroup().to_numpy()
            for columns in (["instrument", "state"], ["session"], CONDITION)
        )
        i, j = np.nonzero((owner[:, None] == owner) & np.tri(len(keys), k=-1, dtype=bool))
        same_session, same_condition = session[i] == session[j], condition[i] == condition[j]
        noise, room = (
            robust_sd(values[i[chosen]] - values[j[chosen]]) ** 2 / 2
            for chosen in (same_session & ~same_condition, ~same_session & same_condition)
        )
        most = max(between, SMALLEST_SD**2)
        noise = min(max(np.nan_to_num(noise, nan=most / 2), SMALLEST_SD**2), 0.8 * most)
        # nothing recorded twice: a room as large as half of what instruments differ by
        room = max(room - noise, 0.0) if np.isfinite(room) else between / 2
        return cls(max(between - noise, SMALLEST_SD**2), room, noise)

    def covariance(self, keys: pd.DataFrame) -> np.ndarray:
        """(R, R) of the rows."""
        same = _same(keys[["instrument", "state"]]), _same(keys[["session"]])
        return self.own * same[0] + self.session * same[1] + self.noise * np.eye(len(keys))


def _same(columns: pd.DataFrame) -> np.ndarray:
    number = columns.groupby(list(columns.columns), sort=False).ngroup().to_numpy()
    return (number[:, None] == number[None, :]).astype(float)


def _against_others(keys, values, peers, covariance):
    """Values (R, N) minus their prediction from the other instruments' `peers` values; its SD; the prediction."""
    away, sd, expected = (np.full(values.shape, np.nan) for _ in range(3))
    condition = keys.groupby(CONDITION, sort=False).ngroup().to_numpy()
    instrument = keys["instrument"].to_numpy()
    design = np.eye(condition.max() + 1)[condition]
    masks, which = np.unique(np.isfinite(values), axis=1, return_inverse=True)
    for m in range(masks.shape[1]):
        columns = np.flatnonzero(which.ravel() == m)
        for name in np.unique(instrument):
            own = np.flatnonzero(masks[:, m] & (instrument == name))
            rest = np.flatnonzero(masks[:, m] & (instrument != name))
            enough = [len(set(instrument[rest[condition[rest] == condition[r]]])) >= MIN_PEERS for r in own]
            own = own[np.array(enough, bool)] if len(own) else own
            if not len(own):
                continue
            used = design[rest].any(axis=0)
            x, x0 = design[rest][:, used], design[own][:, used]
            inverse = np.linalg.inv(covariance[np.ix_(rest, rest)])
            gram = np.linalg.inv(x.T @ inverse @ x)
            cross = covariance[np.ix_(own, rest)] @ inverse
            lift = x0 - cross @ x
            weights = cross + lift @ gram @ x.T @ inverse
            error = covariance[np.ix_(own, own)] - cross @ covariance[np.ix_(rest, own)] + lift @ gram @ lift.T
            predicted = weights @ peers[np.ix_(rest, columns)]
            expected[np.ix_(own, columns)] = predicted
            away[np.ix_(own, columns)] = values[np.ix_(own, columns)] - predicted
            sd[np.ix_(own, columns)] = np.sqrt(np.diag(error))[:, None]
    return away, sd, expected


def _pooled(away: np.ndarray, sd: np.ndarray, parts: _Components) -> np.ndarray:
    """Mean over an instrument's rows, over its standard deviation, (N,)."""
    count = np.isfinite(away).sum(axis=0)
    total = np.where(count > 0, np.nansum(away, axis=0), np.nan)
    with np.errstate(invalid="ignore", divide="ignore"):
        variance = np.nansum(sd**2, axis=0) / count  # of one row; only its noise averages out over rows
        pooled = variance - parts.noise + parts.noise / count
        return total / count / np.sqrt(np.maximum(pooled, SMALLEST_SD**2))


def _whole_shift(keys, middle, owners):
    """Median over an owner's rows of the row medians; the same over the other instruments' robust scatter."""
    middle = middle - pd.Series(middle).groupby([keys[c] for c in CONDITION]).transform("median").to_numpy()
    shift = np.array([np.median(middle[own]) for own in _members(keys, owners)])
    names = np.array([name for name, _ in owners])
    z = np.full(len(owners), np.nan)
    for i, name in enumerate(names):
        others = shift[names != name]
        spread = robust_sd(others - np.median(others))
        # few others: their scatter is itself uncertain, as Student's t knows
        widen = np.sqrt((len(others) + 1) / max(len(others) - 2, 1))
        z[i] = (shift[i] - np.median(others)) / max(spread * widen, SMALLEST_SD)
    return shift, z


def _session_effects(keys, values, parts: _Components) -> dict[str, np.ndarray]:
    """Session -> (N,) common deviation from the other sessions over its standard error.

    NaN unless all of at least MIN_PEERS instruments of the session lie above every other session's median.
    """
    effects = {}
    for session in keys["session"].unique():
        here = (keys["session"] == session).to_numpy()
        inside = _instrument_means(keys[here], values[here])
        outside = _instrument_means(keys[~here], values[~here])
        if len(inside) < MIN_PEERS or len(outside) < MIN_PEERS:
            continue
        away = inside - outside.median()
        error = np.sqrt((parts.own + parts.noise) * (1 / len(inside) + 1 / len(outside)) + parts.session)
        common = (away > 0).all()
        effects[session] = np.where(common, away.median() / error, np.nan)
    return effects


def _instrument_means(keys: pd.DataFrame, values: np.ndarray) -> pd.DataFrame:
    return pd.DataFrame(values).groupby(keys["instrument"].to_numpy()).mean()
