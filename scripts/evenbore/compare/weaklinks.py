"""Pairs that rest on an instrument which is not the same from session to session (see `selfsame`): where another one
stands under its id, what it tells of the sessions is wrong, and so is what is compared across them."""

from collections.abc import Iterator, Mapping
from itertools import combinations

import pandas as pd

from evenbore.facts.criteria import EXACT
from evenbore.facts.words import joined
from evenbore.setups.selfsame import unlike_sessions, unlike_words


def with_weak_links(
    parts: Iterator[pd.DataFrame], comparability: pd.DataFrame, sessions: Mapping[str, set[str]]
) -> Iterator[pd.DataFrame]:
    """The pairs table in parts, with what its pairs rest on among the reasons.

    `comparability`: the table of that name; `sessions`: those of each instrument in the state compared.
    """
    doubted, words = unlike_sessions(comparability), unlike_words(comparability)
    if not doubted:
        return parts
    import networkx as nx  # only here, most studies need none of it

    graph: nx.Graph[str] = nx.Graph()
    graph.add_nodes_from(comparability["session"])
    for name, rows in comparability.groupby("instrument"):
        both = combinations(rows["session"], 2)
        graph.add_edges_from(pair for pair in both if frozenset(pair) not in doubted.get(str(name), set()))
    part = {session: number for number, joint in enumerate(nx.connected_components(graph)) for session in joint}
    known: dict[tuple[str, str], str] = {}

    def remark(a: str, b: str) -> str:
        here, there = sessions.get(a, set()), sessions.get(b, set())
        crossed = {frozenset((one, other)) for one in here for other in there}
        named = [name for name in (a, b) if name in doubted]
        if not named and not here & there:
            named = [name for name, pairs in doubted.items() if pairs & crossed]
            if not named and not {part[one] for one in here} & {part[one] for one in there}:
                named = list(doubted)
        return "; ".join(words[name] for name in named)

    def told(rows: pd.DataFrame) -> pd.DataFrame:
        for pair in set(zip(rows["instrument_a"], rows["instrument_b"], strict=True)) - known.keys():
            known[pair] = remark(*pair)
        compared = ~rows["criterion"].isin(EXACT) & (rows["verdict"] != "not_comparable")
        cells = zip(rows["instrument_a"], rows["instrument_b"], rows["reason"], compared, strict=True)
        return rows.assign(reason=[joined(why, known[a, b] if tell else "") for a, b, why, tell in cells])

    return map(told, parts)
