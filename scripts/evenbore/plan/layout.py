"""Who is recorded in which session, how often, and in which order.

A turn is one instrument taken up, played through the kinds of takes, and put down. Every reference is in every session,
so that all sessions are linked, at places drawn like everybody's, which do not give it away; the others attend as many
sessions as the takes allow, dealt evenly, each level of the factor alike in all sessions. In a session everybody has
one turn a round, the order drawn anew for each round, so that fatigue, reed and temperature fall on all alike (Fisher
1935, The Design of Experiments; from memory). Of several players each plays every instrument, in turns, by a Latin
square: the players (rows) have the instruments at different places of the round (columns).
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import product
from random import Random

import numpy as np
from numpy.typing import NDArray

LEAST_ROUNDS, MOST_ROUNDS, USUAL_ROUNDS = 2, 6, 3
USUAL_REFERENCES = 2  # one alone leaves its own days untold from what a session adds


@dataclass(frozen=True)
class Turn:
    """One instrument taken up once; `round` counts from 1 within the session, `place` over the whole session."""

    session: str
    place: int
    round: int
    instrument: str
    player: str = ""


@dataclass(frozen=True)
class Layout:
    """`visits`: session -> instruments in it; `rounds`: turns of each instrument in each session with each of the
    `players`."""

    visits: Mapping[str, Sequence[str]]
    rounds: int
    players: Sequence[str] = ("",)

    @property
    def n_turns(self) -> int:
        """Turns in all.

        >>> Layout({"first": ["a", "b"], "second": ["a"]}, rounds=3).n_turns  # 3 (2 + 1)
        9
        """
        return self.rounds * len(self.players) * sum(map(len, self.visits.values()))

    def turns_of(self) -> tuple[NDArray[np.str_], NDArray[np.str_]]:
        """Instrument and block (the session with the player) of every turn, in no particular order."""
        rows = [
            (i, f"{s}|{p}")
            for s, names in self.visits.items()
            for i, p, _ in product(names, self.players, range(self.rounds))
        ]
        return np.array([i for i, _ in rows]), np.array([s for _, s in rows])


def layouts(
    strata: Mapping[str, str], references: Sequence[str], sessions: Sequence[str], rng: Random,
    players: Sequence[str] = ("",),
) -> list[Layout]:  # fmt: skip
    """Every layout there is, fewest turns first. `strata`: instrument -> what is spread evenly over the sessions."""
    others = [name for name in strata if name not in references]
    dealt = _dealt(others, strata, rng)
    candidates = []
    for attended, rounds in product(range(1, len(sessions) + 1), range(LEAST_ROUNDS, MOST_ROUNDS + 1)):
        visits = {session: list(references) for session in sessions}
        for name in dealt:
            for session in _emptiest(visits, strata, name, rng)[:attended]:
                visits[session].append(name)
        candidates.append(Layout(visits, rounds, players))
    return sorted(candidates, key=lambda layout: layout.n_turns)


def _emptiest(visits: Mapping[str, list[str]], strata: Mapping[str, str], name: str, rng: Random) -> list[str]:
    """Sessions by how few are in them, then by how few of the same stratum, then at random."""

    def load(session: str) -> tuple[int, int, float]:
        members = visits[session]
        return len(members), sum(strata[other] == strata[name] for other in members), rng.random()

    return sorted(visits, key=load)


def _dealt(names: Sequence[str], strata: Mapping[str, str], rng: Random) -> list[str]:
    """The instruments stratum after stratum, in random order within each."""
    groups: dict[str, list[str]] = {}
    for name in names:
        groups.setdefault(strata[name], []).append(name)
    return [name for stratum in sorted(groups) for name in rng.sample(groups[stratum], len(groups[stratum]))]


def turns(layout: Layout, rng: Random) -> list[Turn]:
    """All turns in playing order."""
    all_turns: list[Turn] = []
    for session, present in layout.visits.items():
        place, last = 0, ""
        for number in range(1, layout.rounds + 1):
            drawn, players = rng.sample(present, len(present)), rng.sample(layout.players, len(layout.players))
            if len(drawn) > 1 and drawn[0] == last:  # nobody twice in a row
                drawn[0], drawn[1] = drawn[1], drawn[0]
            for column, (row, player) in product(range(len(drawn)), enumerate(players)):
                # rows of a cyclic square, as far apart as so many players can be, backwards: nobody is handed on
                last = drawn[(column - row * len(drawn) // len(players)) % len(drawn)]
                place += 1
                all_turns.append(Turn(session, place, number, last, player))
    return all_turns
