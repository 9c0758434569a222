"""Which sessions can be compared: sessions joined, directly or through others, by a shared instrument.

An instrument recorded in two sessions shows how the two set-ups (room, microphone, gain) differ. Sessions
that no instrument joins cannot be told apart from the instruments in them, so levels and tone colour are
never compared between such groups. A changed state is a changed instrument: only the same instrument in the
same state links. Connected designs: Searle, Linear Models (1971), ch. 7, from memory.
"""

from collections.abc import Sequence
from typing import Any

import numpy as np
import pandas as pd

from evenbore.facts.columns import TABLES
from evenbore.setups.links import inseparable, odd_responses, one_more_take
from evenbore.setups.selfsame import Unlike
from evenbore.statistics.grouped import joined_parts


def usable(recordings: pd.DataFrame) -> pd.DataFrame:
    """The recordings that were measured: everything but the ones set aside."""
    return recordings[recordings["status"] != "set_aside"]


def session_groups(recordings: pd.DataFrame) -> dict[str, int]:
    """Session, in the order of their names -> number of its comparability group (1, 2, ... in that of the sheet)."""
    rows = usable(recordings)
    session, sessions = pd.factorize(rows["session"])
    owner = rows.groupby(["instrument", "state"], sort=False, dropna=False).ngroup().to_numpy()
    number = 1 + pd.factorize(joined_parts(session, owner))[0]
    return dict(sorted(zip(sessions.tolist(), number.tolist(), strict=True)))


def comparability(
    recordings: pd.DataFrame, setups: pd.DataFrame, sheet: Sequence[dict[str, Any]] = (), unlike: Sequence[Unlike] = ()
) -> pd.DataFrame:
    """The comparability table, one row per session and instrument recorded in it.

    `links` counts the other sessions that the instrument, in the same state, was recorded in too.
    `link_se_db` is the standard error (dB) of the session's response against its group, root mean square
    over the estimated bands of `setups`; empty for a session that nothing links. `sheet`: rows of the recordings sheet,
    for player, mouthpiece and reed; `unlike`: the instruments that do not repeat themselves. See `links` for the other
    columns.
    """
    rows = usable(recordings)[["session", "instrument", "state"]].drop_duplicates()
    rows["links"] = rows.groupby(["instrument", "state"])["session"].transform("nunique") - 1
    table = rows.groupby(["session", "instrument"], sort=False, as_index=False)[["links"]].max()
    table["group"] = table["session"].map(session_groups(recordings))
    table["link_se_db"] = table["session"].map(
        setups.groupby("session")["response_se_db"].agg(lambda se: (se**2).mean() ** 0.5)
    )
    more = one_more_take(usable(recordings))
    table["link_se_db"] = table["link_se_db"].astype(float)
    part = more["part"].to_dict()
    table["one_more_se_db"] = table["link_se_db"] * [part.get(session, np.nan) for session in table["session"]]
    known = set(rows["session"])
    advice = {session: _advice(session, more, table) for session in known} if len(known) > 1 else {}
    odd = odd_responses(setups)
    for column, words in (("advice", advice), ("odd_response", odd)):
        table[column] = [words.get(session, "") for session in table["session"]]
    heard = set(usable(recordings)["recording"]) if sheet else set()
    told = inseparable([row for row in sheet if row["recording"] in heard])
    table["inseparable"] = [told.get(instrument, "") for instrument in table["instrument"]]
    others: dict[tuple[str, str], set[str]] = {}
    for one in unlike:
        for here, there in ((one.session, one.other), (one.other, one.session)):
            others.setdefault((here, one.instrument), set()).add(there)
    cells = zip(table["session"], table["instrument"], strict=True)
    table["unlike"] = [" ".join(sorted(others.get(cell, ()))) for cell in cells]
    return table.loc[:, [column.name for column in TABLES["comparability"]]]


def _advice(session: str, more: pd.DataFrame, table: pd.DataFrame) -> str:
    if session not in more.index:
        return "nothing links this session: record an instrument of another session here, in the same state"
    link = table[table["session"] == session].iloc[0]
    if pd.isna(link["link_se_db"]):
        return f"no repeat takes to judge the link by: record {more['best'][session]} here once more"
    return (
        f"one more take of {more['best'][session]} here would bring the link's standard error from"
        f" {link['link_se_db']:.2f} to {link['one_more_se_db']:.2f} dB"
    )
