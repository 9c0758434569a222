"""Sessions that one instrument alone links, and players of one session whom none links: told before anything is
measured.

Smallest difference of tuning that is told between instruments of two sessions, each recorded in one of them, by the
model that judges pairs (`precision`), with the scatter that plans assume and the study's number of takes.
"""

from collections import Counter

import networkx as nx
import numpy as np

from evenbore.compare.multiplicity import detectable, threshold_of_pairs
from evenbore.facts.criteria import CRITERIA, MEASURED
from evenbore.judge.repeatability import assumed_days
from evenbore.plan.layout import Layout
from evenbore.plan.precision import pair_errors
from evenbore.study.sheets import Study

MOST = 20
"""Instruments of a session that are reckoned with: more change nothing but the degrees of freedom."""


def single_links(study: Study) -> list[str]:
    """In words, which instruments alone link sessions, and what a second one would change."""
    graph: nx.Graph[tuple[str, ...]] = nx.Graph()
    base = [row for row in study.recordings if row["dynamic"] == study.config["base_dynamic"]]
    for row in base:
        graph.add_edge(("session", row["session"]), ("owner", row["instrument"], row["state"]))
    takes = Counter((row["session"], row["instrument"], row["state"]) for row in base)
    rounds = max(round(float(np.median(list(takes.values()))) if takes else 0), 2)
    told = []
    for node in sorted(nx.articulation_points(graph)):
        if node[0] == "session" or len(graph[node]) < 2:
            continue
        rest = graph.subgraph(set(graph) - {node})
        # one session of each part that it joins
        joined = sorted(
            min(part & set(graph[node])) for part in nx.connected_components(rest) if part & set(graph[node])
        )
        *sessions, last = (session for _, session in joined)
        visits = {
            session[1]: [node[1], *sorted(owner[1] for owner in graph[session] if owner != node)[:MOST]]
            for session in joined[:2]
        }
        label = study.instruments[node[1]]["label"]
        told.append(
            f"{label} alone links the sessions {', '.join(sessions)} and {last}. {_cost(study, visits, rounds)}"
        )
    return told


def players_apart(study: Study) -> list[str]:
    """In words, the players of one session of whom nobody can say what they add: no instrument, directly or through
    others, was played by both."""
    graph: nx.Graph[tuple[str, ...]] = nx.Graph()
    for row in study.recordings:
        if row["dynamic"] == study.config["base_dynamic"]:
            graph.add_edge(("block", row["session"], row["player"] or ""), ("owner", row["instrument"], row["state"]))
    group = {node: number for number, part in enumerate(nx.connected_components(graph)) for node in part}
    told = []
    for session in study.sessions:
        blocks = sorted(node for node in graph if node[:2] == ("block", session))
        if len({group[node] for node in blocks}) > 1:
            names = " and ".join(player or "whoever plays where the sheet names nobody" for _, _, player in blocks)
            told.append(
                f"In session {session} play {names}, and no instrument was played by all of them: what a player adds"
                " cannot be told from the instruments, so those of different players are not told apart. Let each"
                " player play two or three of the others' instruments."
            )
    return told


def _cost(study: Study, visits: dict[str, list[str]], rounds: int) -> str:
    """What is told across two sessions by one link (first of the `visits`), and by two."""
    (link, *here), (_, *there) = visits.values()
    if not (here and there):
        return "Let two or three instruments do so."
    second = dict(zip(visits, ([link, *here], [link, here[0], *there]), strict=True))
    one, two = (_detectable(study, Layout(each, rounds)) for each in (visits, second))
    return (
        f"The smallest difference of tuning that is told between instruments of two of them is about {one:.1f} cents,"
        f" with a second instrument in both {two:.1f}: let two or three instruments do so."
    )


def _detectable(study: Study, layout: Layout) -> float:
    """Smallest difference (cents) told between the worst pair of the layout."""
    criterion = CRITERIA["tuning_offset"]
    assert criterion.planning_sd is not None
    days = assumed_days(study.config["own_days"])[criterion.day_kind]
    _, worst, df = pair_errors(layout, criterion.planning_sd[2], criterion.additive, days)
    count = len({row["instrument"] for row in study.recordings})
    families = sum(c.planning_sd is not None for c in MEASURED)
    return detectable(worst, df, threshold_of_pairs(families, count))
