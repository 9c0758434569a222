"""What the error of the set-ups' responses does to the notes, kept small for studies of many sessions.

The error has K independent directions, more the more sessions there are, and each moves every session. A note feels
only its own session's part, which a few directions span: the notes are measured again along these, one standard error
each, and what that changes is carried over to the K directions in proportion.
"""

from collections.abc import Sequence
from pathlib import Path
from typing import NamedTuple

import numpy as np

from evenbore.facts.arrays import Floats, Floats32, Ints
from evenbore.setups.responses import Setups

SESSION_VARIANCE_KEPT = 0.999  # of every session's error


class SetupErrors(NamedTuple):
    """`changes` (R, N, M): of N notes' M `measures`, one standard error along each direction of their session's error;
    `session` (N,): number of their session; `mixing` (S, K, R): parts of the sessions' directions in the K of all."""

    changes: Floats32
    session: Ints
    mixing: Floats
    measures: Sequence[str]

    def of(self, measures: Sequence[str]) -> "SetupErrors":
        """The same of these `measures`."""
        place = [self.measures.index(name) for name in measures]
        return self._replace(changes=self.changes[:, :, place], measures=measures)

    def along_all(self, changes: Floats, session: int) -> Floats:
        """Changes (R, ...) along the session's directions as changes (K, ...) along those of all sessions."""
        return np.tensordot(self.mixing[session], changes, axes=1)

    def variance_of_means(self, changes: Floats | Floats32, session: Ints, cell: Ints) -> Floats:
        """Variance (C, M) of the means over the rows (N,) of each `cell`, of which there are few, from the `changes`
        (R, N, M) along the directions of the rows' `session`; a value counts that is known along all of them."""
        heard = np.asarray(np.isfinite(changes).all(axis=0))
        known = np.zeros((cell.max() + 1, changes.shape[2]))
        np.add.at(known, cell, heard)
        if not len(changes):
            return np.zeros(known.shape)
        sessions, sums = np.unique(session), []
        for one in sessions:
            here = session == one
            sums.append(np.zeros((len(changes), *known.shape)))
            place = (slice(None), cell[here])
            np.add.at(sums[-1], place, np.where(heard[here], changes[:, here], 0.0))  # type: ignore[arg-type]
        # of the K directions of all sessions, as few as these sessions have between them
        mixing = np.linalg.qr(np.hstack(list(self.mixing[sessions])), mode="r")
        moved = np.tensordot(mixing, np.concatenate(sums), axes=1)
        variance: Floats = np.square(moved / np.maximum(known, 1)).sum(axis=0)
        return variance


def session_directions(setups: Setups) -> tuple[Floats, Floats]:
    """Directions (S, R, B) of each session's error, one standard error long, strongest first, and their mixing."""
    sessions = len(setups.sessions)
    if setups.errors_db is None or not len(setups.errors_db):
        return np.zeros((sessions, 0, setups.response_db.shape[1])), np.zeros((sessions, 0, 0))
    errors = np.where(np.isfinite(setups.response_db), setups.errors_db, 0.0).transpose(1, 0, 2)
    mixing, size, directions = np.linalg.svd(errors, full_matrices=False)
    left = 1 - np.cumsum(size**2, axis=1) / np.maximum((size**2).sum(axis=1, keepdims=True), 1e-30)
    kept = int((left > 1 - SESSION_VARIANCE_KEPT).sum(axis=1).max()) + 1
    return (size[:, :, None] * directions)[:, :kept], mixing[:, :, :kept]


def save_setup_errors(errors: SetupErrors, path: str | Path) -> None:
    """Keep them in one file."""
    Path(path).parent.mkdir(parents=True, exist_ok=True)
    np.savez(path, allow_pickle=False, **errors._asdict())


def load_setup_errors(path: str | Path) -> SetupErrors:
    """What `save_setup_errors` kept."""
    with np.load(path, allow_pickle=False) as kept:
        changes, session, mixing, measures = (kept[name] for name in SetupErrors._fields)
    return SetupErrors(changes, session, mixing, measures.tolist())
