"""Every instrument in a few words: what is good, what speaks against it, and whom it cannot be told from.

The clauses are those of the table `status`; the criteria in them are told by what they mean to a player.
"""

from collections.abc import Iterable
from dataclasses import dataclass

from evenbore.facts.criteria import CRITERIA, EXACT
from evenbore.facts.words import plain
from evenbore.findings.vet import NOTHING
from evenbore.report.results import Results, rows_of
from evenbore.report.words import AMONG_OTHERS, bare

MOST_CLAUSES = 3
MOST_ALIKE = 3
_BY_WORDS = {plain(name): one for name, one in CRITERIA.items()}


@dataclass(frozen=True)
class Portrait:
    """`good`, `against`: the clauses that say most, at most MOST_CLAUSES each; `alike`: instruments that no criterion
    heard tells it from, where they are few."""

    good: list[str]
    against: list[str]
    alike: list[str]


def portraits(results: Results) -> dict[str, Portrait]:
    """The portraits of the instruments shown, from their current status."""
    alike, told = _alike(results), {}
    for name in (name for name in results.shown if name in results.now):
        good, against = (_in_words(results.now[name][column].split("; ")) for column in ("good", "against"))
        if len(good) > 1:
            good = [clause for clause in good if clause != NOTHING]
        few = alike.get(name, []) if len(alike.get(name, [])) <= MOST_ALIKE else []
        told[name] = Portrait(good[:MOST_CLAUSES], against[:MOST_CLAUSES], few)
    return told


def _in_words(clauses: Iterable[str]) -> list[str]:
    """What was found first, then what most others are told from; "noise: worse than 3 of 5 others" as "much air in the
    tone (worse than 3 of 5)"."""
    found, among = [], []
    for clause in filter(None, clauses):
        told = AMONG_OTHERS.fullmatch(clause)
        if told and told[1] in _BY_WORDS:
            one = _BY_WORDS[told[1]]
            text = f"{one.good if told[2] == 'better' else one.bad} ({told[2]} than {told[3]} of {told[4]})"
            among.append((-int(told[3]), text))
        else:
            found.append(bare(clause))
    return [*found, *(text for _, text in sorted(among, key=lambda pair: pair[0]))]


def _alike(results: Results) -> dict[str, list[str]]:
    """Instrument -> those it is compared with and differs from in no criterion that is heard; only where all are
    shown."""
    if results.shown != results.order:
        return {}
    pairs = results.tables["pairs"]
    pairs = pairs[~pairs["criterion"].isin(EXACT) & (pairs["verdict"] != "not_comparable")]
    differing: dict[tuple[str, str], bool] = {}
    for row in rows_of(pairs):
        key = (row.instrument_a, row.instrument_b)
        differing[key] = differing.get(key, False) or row.verdict == "differs"
    out: dict[str, list[str]] = {}
    for (a, b), differs in differing.items():
        if not differs:
            out.setdefault(a, []).append(b)
            out.setdefault(b, []).append(a)
    return out
