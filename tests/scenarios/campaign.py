"""The takes of every kind, measured and scored."""

import multiprocessing
import tempfile
import zlib
from collections.abc import Iterable, Iterator
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import TextIO

import numpy as np

from evenbore.notes.measure import Measured, measure_recording

from . import files
from .drafts import Draft, draft, playable
from .kinds import KINDS, REMARK, SET_ASIDE, Kind
from .play import Played, perform
from .score import holds, score
from .sounds import SOURCES, Source, pairs

TAKES_EACH = 10


@dataclass(frozen=True)
class Case:
    """One take: a kind, its number, and who plays."""

    part: str
    kind: str
    number: int
    source: str
    family: str

    def draft(self) -> Draft:
        kind = KINDS[self.kind]
        return draft(self.part, self.kind, self.number, (SOURCES[self.source], self.family), kind.reach, kind.fixed)

    def takes(self) -> tuple[Draft, Played, Played]:
        """The draft, the take as played, and the same as recorded."""
        kind, made = KINDS[self.kind], self.draft()
        if kind.sheet is not None:
            kind.sheet(made)
        seed = zlib.crc32(made.name.encode())
        plain = perform(kind.play(made), made.bank, seed)
        hiss = 1e-5 * np.random.default_rng(seed).standard_normal(len(plain.audio))
        quiet = replace(files.fitting(Played(plain.audio + hiss, plain.notes)), louder_db=0.0)
        return made, quiet, files.fitting(kind.change(quiet, np.random.default_rng(seed))) if kind.change else quiet


def all_cases(part: str, only: str = "", each: int = TAKES_EACH) -> list[Case]:
    """`each` takes of every kind whose name holds `only`, players in turn."""
    cases, everybody = [], pairs(part)
    for place, kind in enumerate(KINDS.values()):
        if only.lower() not in kind.name.lower():
            continue
        able = (who for who in _in_turn(everybody, 3 * place) if _can(kind, *who))
        for number in range(each):
            source, family = next(able)
            cases.append(Case(part, kind.name, number, source.name, family))
    return cases


def run(cases: Iterable[Case], jobs: int, tell: TextIO) -> list[dict]:
    """One dictionary for every take, in the order of the cases."""
    cases = list(cases)
    order = sorted(range(len(cases)), key=lambda k: (cases[k].source, cases[k].family))  # a bank is read once
    results: dict[int, dict] = {}
    with multiprocessing.Pool(jobs) as pool:
        for k, result in zip(order, pool.imap(measured, [cases[k] for k in order], chunksize=4), strict=True):
            results[k] = result
            print(
                f"{len(results)}/{len(cases)} {_line(result)}", *result["failures"], sep="\n    ", file=tell, flush=True
            )
    return [results[k] for k in range(len(cases))]


def measured(case: Case) -> dict:
    """What one take came to."""
    kind = KINDS[case.kind]
    made, plain, take = case.takes()
    found = measure(made, take, kind.form)
    rows = found.notes
    before = measure(made, plain, "flac").notes if kind.changes else None
    status, reason = found.recording["status"], found.recording["reason"]
    aside = status == SET_ASIDE
    scored = asdict(score(take.notes, rows, before, take.louder_db))
    if kind.sheet is not None or kind.expect == SET_ASIDE:  # what a wrong sheet asks for is not what was played
        scored |= {"played": 0, "missed": 0}
    return {
        "name": made.name,
        "kind": kind.name,
        "group": kind.group,
        "expect": kind.expect,
        "status": status,
        "reason": reason,
        "set_aside": aside,
        "good_set_aside": aside and not kind.refusable,
        "accepted_wrongly": kind.expect == SET_ASIDE and not aside,
        "remark_missing": kind.expect == REMARK and not holds(reason, kind.words),
        **scored,
    }


def measure(made: Draft, take: Played, form: str) -> Measured:
    with tempfile.TemporaryDirectory() as folder:
        return measure_recording(made.row(str(files.write(take, Path(folder), form))))


def _in_turn(everybody: list[tuple[Source, str]], first: int) -> Iterator[tuple[Source, str]]:
    while True:
        yield everybody[first % len(everybody)]
        first += 1


def _can(kind: Kind, source: Source, family: str) -> bool:
    return (not kind.families or family in kind.families) and bool(playable(family, source.midis(family), kind.reach))


def _line(result: dict) -> str:
    counts = ", ".join(f"{result[key]} {key}" for key in ("found", "missed", "wrong_notes", "silent_notes"))
    marks = [key for key in ("good_set_aside", "accepted_wrongly", "remark_missing") if result[key]]
    return f"{result['name']}: {result['played']} played, {counts}; {result['status']} {result['reason']} {marks or ''}"
