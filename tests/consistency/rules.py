"""Which statements disagree. Each rule is a function from all statements to contradictions; see `contradictions`."""

import re
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from itertools import combinations

from .statements import Finding, Range, Statement, meet

BY_PITCH = {"intonation_outlier", "register_shift"}
ODDS = 2.0
"""Instruments are tied when none is more than so many times likelier first than another."""


@dataclass(frozen=True)
class Contradiction:
    """Two statements, or a statement and what it leaves out (`second` None), and why they cannot both stand."""

    kind: str
    why: str
    first: Statement
    second: Statement | None = None


class Known:
    """All statements by subject, and what they tell of states, kinds and tolerances. A state that a source leaves out
    is the current one."""

    def __init__(self, statements: list[Statement]):
        self.of: dict[str, list[Statement]] = {}
        for statement in statements:
            self.of.setdefault(statement.subject, []).append(statement)
        self.current = {s.instrument: s.state for s in self("current")}
        self.family = {s.instrument: s.claim for s in self("family")}
        self.tolerance = {s.instrument: s.claim for s in self("tolerance")}

    def __call__(self, subject: str) -> list[Statement]:
        return self.of.get(subject, [])

    def owner(self, one: Statement) -> tuple:
        """Instrument and state that a statement is about."""
        return one.instrument, one.state or self.current.get(one.instrument)

    def together(self, *subjects: str) -> dict[tuple, list[Statement]]:
        """Statements about the same instrument, state and key."""
        groups: dict[tuple, list[Statement]] = {}
        for subject in subjects:
            for one in self(subject):
                groups.setdefault((subject, *self.owner(one), one.key), []).append(one)
        return groups

    def past(self, name: str, found: Finding) -> bool:
        """Whether a finding is beyond the tolerance of its instrument."""
        cents, confidence = self.tolerance.get(name, (20.0, 0.5))
        if found.kind in BY_PITCH:
            return found.size is not None and min(map(abs, found.size)) > (found.tolerance or cents)
        return found.confidence is None or found.confidence >= confidence


def contradictions(statements: list[Statement]) -> list[Contradiction]:
    """Every two statements that cannot both be true, by the kinds of `RULES`."""
    known = Known(statements)
    return [found for rule in RULES for found in rule(known)]


def _unlike(kind: str, rows: list[Statement], same: Callable[[Statement, Statement], bool]) -> Iterator[Contradiction]:
    """The first of the rows against each that disagrees with it."""
    for row in rows[1:]:
        if not same(rows[0], row):
            yield Contradiction(kind, f"{rows[0].claim} against {row.claim}", rows[0], row)


def decisions(known: Known) -> Iterator[Contradiction]:
    """Two decisions on the same instrument in the same state."""
    for rows in known.together("decision").values():
        yield from _unlike("decision differs", rows, lambda a, b: a.claim == b.claim)


def sound_with_a_finding(known: Known) -> Iterator[Contradiction]:
    """Accepted, or nothing found, beside a finding in the same state that is beyond its tolerance."""
    found = {known.owner(s): s for s in known("findings") if s.source == "tables/findings.tsv"}
    for one in [*known("decision"), *known("nothing_found")]:
        accepts = one.subject == "decision"
        if accepts and one.claim != "accept":
            continue
        owner = known.owner(one)
        listed = found.get(owner)
        for notes, those in listed.claim.items() if listed else ():
            for finding in those:
                if known.past(owner[0], finding) and not (accepts and finding.scope == "design"):
                    kind = "accepted with a finding" if accepts else "nothing found, and a finding"
                    yield Contradiction(kind, f"{finding.kind} at {notes}: {finding.size} {finding.unit}", one, listed)


def accepted_and_failed(known: Known) -> Iterator[Contradiction]:
    """Accepted in the compared state, and a must-pass failed."""
    failed = {known.owner(s): s for s in known("must_pass") if _fails(s.claim)}
    for one in known("decision"):
        if one.claim == "accept" and known.owner(one) in failed:
            other = failed[known.owner(one)]
            yield Contradiction("accepted with a failed must-pass", other.claim, one, other)


def must_passes(known: Known) -> Iterator[Contradiction]:
    """A must-pass passed in one place and failed in another, or failed by another number."""
    for rows in known.together("must_pass").values():
        yield from _unlike("must-pass differs", rows, lambda a, b: _same_gate(a.claim, b.claim))


def _fails(gate: str) -> bool:
    return any(not part.endswith("not known") for part in gate.split("; ")) and gate != "pass"


def _same_gate(a: str, b: str) -> bool:
    parts = [{part for part in gate.split("; ") if not part.endswith("not known")} for gate in (a, b)]
    return _fails(a) == _fails(b) and (parts[0] <= parts[1] or parts[1] <= parts[0])


def lists_of_findings(known: Known) -> Iterator[Contradiction]:
    """A finding that a list of all lacks or has too many; one of an earlier state told of the current one; its size."""
    table = {known.owner(s): s for s in known("findings") if s.source == "tables/findings.tsv"}
    for one in known("findings"):
        name, state = known.owner(one)
        there = table.get((name, state))
        if one is there or there is None:
            continue
        missing = [
            notes
            for notes, those in there.claim.items()
            for finding in those[len(one.claim.get(notes, [])) :]
            if finding.scope != "design"
        ]
        if one.key is not None and len(missing) > one.key:
            for notes in missing:
                yield Contradiction("finding missing from a list", f"{notes} of {name} in {state}", one, there)
        for notes, those in one.claim.items():
            if notes in there.claim:
                yield from _sizes(one, there, notes, those)
            elif earlier := [s for owner, s in table.items() if owner[0] == name and notes in s.claim]:
                yield Contradiction("mended, and told as current", f"{notes} of {name}", one, earlier[0])
            else:
                yield Contradiction("finding that is not in the table", f"{notes} of {name} in {state}", one, there)


def _sizes(one: Statement, there: Statement, notes, those: list[Finding]) -> Iterator[Contradiction]:
    for finding in those:
        alike = [other for other in there.claim[notes] if other.size and other.unit == finding.unit]
        if finding.size and alike and not any(meet(finding.size, other.size) for other in alike):
            yield Contradiction("size of a finding differs", f"{notes}: {finding.size}, {alike}", one, there)


def inspections(known: Known) -> Iterator[Contradiction]:
    """A fault seen at inspection told of a state that the sheet does not tell it of."""
    faults = {(s.instrument, s.key): s for s in known("inspected")}
    states = {(s.instrument, s.state, s.key) for s in known("inspected")}
    for one in known("seen"):
        sheet = faults.get((one.instrument, one.key))
        if sheet and (*known.owner(one), one.key) not in states:
            yield Contradiction("mended, and told as current", f"{one.key}, seen in {sheet.state}", one, sheet)


def numbers(known: Known) -> Iterator[Contradiction]:
    """A number printed that is not the table's, rounded."""
    for subject, same in (("p_first", meet), ("value", _same_values), ("rank", _equal), ("count", _equal)):
        for rows in known.together(subject).values():
            yield from _unlike(f"{subject} differs", rows, lambda a, b, same=same: same(a.claim, b.claim))


def _equal(a, b) -> bool:
    return a == b


def _same_values(a: tuple, b: tuple) -> bool:
    """Whether values and those ends of intervals that both tell are the same."""
    return all(one is None or other is None or meet(one, other) for one, other in zip(a, b, strict=True))


def orders(known: Known) -> Iterator[Contradiction]:
    """Instruments in another order than in the ranking table, or all of them in two orders."""
    orders: dict[tuple, list[Statement]] = {}
    for one in known("order"):
        family = {known.family[name] for name in one.claim} if one.key != "all" else {None}
        orders.setdefault((one.key, *sorted(family, key=str)), []).append(one)
    for rows in orders.values():
        yield from _unlike("order differs", rows, lambda a, b: _same_order(a.claim, b.claim))


def _same_order(a: tuple, b: tuple) -> bool:
    return [x for x in a if x in set(b)] == [x for x in b if x in set(a)]


def firsts(known: Known) -> Iterator[Contradiction]:
    """An instrument said to be first that is not the likeliest; instruments said to be tied that are not; a lone one
    said to be first."""
    pools: dict[tuple, dict[str, Statement]] = {}
    rivals: dict[tuple, dict[str, Statement]] = {}
    for one in known("p_first"):
        if one.source == "tables/ranking.tsv":
            pools.setdefault((one.key, known.family[one.instrument]), {})[one.instrument] = one
    for one in known("order"):
        if one.source == "tables/ranking.tsv":
            for name in one.claim:
                rivals[one.key, name] = {n: pools[one.key, known.family[n]][n] for n in one.claim}
    for one in known("first"):
        pool = rivals.get((one.key, one.instrument), {})
        best = max(pool.values(), key=lambda s: s.claim[1], default=None)
        if best and not meet(best.claim, pool[one.instrument].claim):
            yield Contradiction("not the likeliest first", f"{best.instrument} is", one, best)
    for one in known("tied"):
        tied = [rivals[one.key, name][name] for name in one.claim]
        least, most = (end(tied, key=lambda s: s.claim[1]) for end in (min, max))
        if most.claim[0] > ODDS * least.claim[1]:
            why = f"{[round(s.claim[1], 2) for s in tied]}"
            yield Contradiction("tied, and far apart", why, one, most)
    for one in [*known("first"), *known("p_first")]:
        worded = not one.source.startswith(("tables/", "comparison.xlsx"))
        if worded and len(rivals.get((one.key, one.instrument), (1, 2))) == 1:
            yield Contradiction("first of one", "nothing to compare it with", one)


def pairs(known: Known) -> Iterator[Contradiction]:
    """Two verdicts on a pair, two numbers of takes, counts of verdicts, takes that a remark says would not do."""
    for subject in ("verdict", "verdicts", "takes_needed"):
        for rows in known.together(subject).values():
            yield from _unlike(f"{subject} differs", rows, lambda a, b: a.claim == b.claim)
    for one in known("takes_needed"):
        takes, remark = one.claim
        if takes is not None and re.search(r"would not decide|not with takes", remark):
            yield Contradiction("takes that would not decide", f"{takes} takes: {remark}", one)


def kinds(known: Known) -> Iterator[Contradiction]:
    """A sentence that sets instruments of different kinds against each other."""
    for one in known("compared"):
        families = {known.family[name] for name in one.claim}
        if len(families) > 1:
            yield Contradiction("different kinds compared", f"{sorted(families)}", one)


def tunings(known: Known) -> Iterator[Contradiction]:
    """Advice that is not what its own numbers say, or that other statements about the notes gainsay."""
    told = {known.owner(s): s.claim for s in known("tuning") if s.key == "numbers"}
    found = {known.owner(s): s for s in known("findings") if s.source == "tables/findings.tsv"}
    worst = {known.owner(s): s for s in known("value") if s.key == "worst_note_cents" and s.source.startswith("tables")}
    for one in known("tuning"):
        if one.key == "numbers":
            continue
        owner, advice = known.owner(one), one.claim
        numbers = told.get(owner)
        for own, other, what in ((advice.aim, numbers and numbers.aim, "aim"),
                                 (advice.offset, numbers and numbers.offset, "offset")):  # fmt: skip
            if own and other and not meet(own, other):
                yield Contradiction("tuning against its numbers", f"{what}: {own}, {other}", one)
        yield from _moves(one)
        if "the rest sits in tune" in advice.words:
            limit = known.tolerance[owner[0]][0]
            out = [finding for those in (found[owner].claim.values() if owner in found else ()) for finding in those
                   if finding.kind in BY_PITCH and known.past(owner[0], finding)]  # fmt: skip
            if out:
                yield Contradiction("the rest in tune, and a finding", f"{out[0].size} cents", one, found[owner])
            elif owner in worst and worst[owner].claim[0][0] > limit:
                yield Contradiction(
                    "the rest in tune, and a note far out", f"{worst[owner].claim[0]}", one, worst[owner]
                )


def _moves(one: Statement) -> Iterator[Contradiction]:
    """What to do with mouthpiece or slide, against how far off the instrument is."""
    words, offset = one.claim.words, one.claim.offset
    if offset is None:
        return
    middle = sum(offset) / 2
    if words.startswith("Leave") and abs(middle) >= 1 and not _excused(words, middle):
        yield Contradiction("left although off", f"{middle:+.0f} cents, and no reason given", one)
    if (words.startswith("Pull out") and middle < 0) or (words.startswith("Push in") and middle > 0):
        yield Contradiction("moved the wrong way", f"{middle:+.0f} cents", one)


def _excused(words: str, middle: float) -> bool:
    """Whether the sentence says what is let pass, and that is more."""
    limit: Range | tuple = tuple(map(float, re.findall(r"(?:less than|under|within) (?:the )?(\d+(?:\.\d+)?)", words)))
    return any(abs(middle) <= one for one in limit)


def recordings(known: Known) -> Iterator[Contradiction]:
    """A room called too noisy by a soft take where louder ones stand clear; tone judged by clipped takes alone."""
    clear = {}
    for one in known("quiet_enough"):
        clear.setdefault(one.claim, []).append(one)
    for one in known("quieter_room"):
        louder = [other for other in clear.get(one.claim, []) if other.key[0] > one.key[0]]
        if louder:
            yield Contradiction("room blamed for a soft take", f"{louder[0].key[1]} stands clear", one, louder[0])
    clipped = {known.owner(s): s for s in known("clipped")}
    for one in [*known("nothing_found"), *known("findings")]:
        by_tone = one.subject == "nothing_found" or any(
            finding.unit in ("dB", "z") for those in one.claim.values() for finding in those
        )
        if by_tone and known.owner(one) in clipped:
            yield Contradiction("tone judged by clipped takes", f"{one.claim}", one, clipped[known.owner(one)])


def pairwise_states(known: Known) -> Iterator[Contradiction]:
    """Two states said to be the current one."""
    for a, b in combinations(known("current"), 2):
        if a.instrument == b.instrument and a.state != b.state:
            yield Contradiction("current state differs", f"{a.state}, {b.state}", a, b)


RULES = (
    decisions, sound_with_a_finding, accepted_and_failed, must_passes, lists_of_findings, inspections, numbers,
    orders, firsts, pairs, kinds, tunings, recordings, pairwise_states,
)  # fmt: skip
