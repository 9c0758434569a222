"""What else differs between the groups that a factor makes: confounding, found and put into words.

If all silver instruments are of one maker and no other instrument is, no analysis can tell silver from that maker.
Looked at are the other columns of the instruments sheet and who played when: an instrument of a shared group (a maker,
a player, a session ...) helps to tell the two apart if that group holds more than one level of the factor.
"""

from collections.abc import Iterable, Mapping

SHEET_COLUMNS = ("maker", "model", "grade", "shipment", "body_material", "bore_mm")
TAKE_COLUMNS = ("player", "session", "mouthpiece", "reed")
# ASSUME: own choice, no source.
MOSTLY = 0.5


def tangles(levels: Mapping[str, str], groups: Mapping[str, Iterable[tuple[str, str]]]) -> list[tuple[str, float]]:
    """Columns tangled with a factor, worst first, each with the share of instruments that help to tell them apart.

    `levels`: instrument -> level of the factor. `groups`: column -> pairs (instrument, value); an instrument may come
    with several values (sessions). A column counts when at most half of the instruments stand in a group that holds
    more than one level; one whose every value belongs to a single instrument is a name, not a group: passed over.
    """
    tangled_columns = []
    for column, pairs in groups.items():
        members: dict[str, set[str]] = {}
        for instrument, value in pairs:
            if instrument in levels:
                members.setdefault(value, set()).add(instrument)
        if len(members) < 2 or all(len(names) == 1 for names in members.values()):
            continue
        mixed = [names for names in members.values() if len({levels[name] for name in names}) > 1]
        share = len(set().union(*mixed)) / len(set().union(*members.values()))
        if share <= MOSTLY:
            tangled_columns.append((column, share))
    return sorted(tangled_columns, key=lambda item: (item[1], item[0]))


def words(factor: str, tangled_columns: list[tuple[str, float]]) -> str:
    """The tangles in one sentence; '' when there are none."""
    whole = [_plain(column) for column, share in tangled_columns if share == 0]
    partly = [f"{_plain(column)} ({share:.0%} of the instruments help to tell them apart)"
              for column, share in tangled_columns if share > 0]  # fmt: skip
    name = _plain(factor)
    told = []
    if whole:
        told.append(f"confounded: {name} cannot be told from {' or '.join(whole)}, which differs with it")
    if partly:
        told.append(f"partly confounded with {', '.join(partly)}")
    return "; ".join(told)


def _plain(column: str) -> str:
    return column.removeprefix("x_").removesuffix("_mm").replace("_", " ")
