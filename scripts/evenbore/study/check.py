"""Everything wrong with a study before it is run: its sheets, its config, and every recording decoded."""

import difflib
import itertools
import os
from collections import Counter
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import ExitStack, contextmanager
from pathlib import Path
from queue import SimpleQueue

from evenbore.facts.formats import is_recording
from evenbore.facts.rows import PART, Row
from evenbore.files.digest import sha256
from evenbore.files.errors import AudioError, Problem
from evenbore.files.paths import command, shown_path, typed
from evenbore.process.guard import Guard, time_limit_s
from evenbore.process.worker import Examination
from evenbore.study.config import printable, shown
from evenbore.study.sheets import Reading, Study

DECODERS = 4  # at once: each holds up to ten minutes of sound
BASSES = {"clarinet_bass_low_c", "clarinet_bass_low_e_flat"}  # alike but for the lowest notes
MOST_NAMES = 2000  # a folder with more files is not searched for a name like the missing one


def check_reading(reading: Reading) -> list[Problem]:
    """Return all problems of a study, also of recordings whose rows have other problems; [] when it is right.

    Every recording is decoded to its end, which takes a second or two for ten minutes of sound: what a run would set
    aside or warn of as a file (silent, cut off, damaged, misnamed) is told here. Whether the scale is in it is not.
    """
    sheet = reading.sheets["recordings"]
    rows = [(number, row) for number, row in sheet.numbered if row["path"] is not None]
    with _guards(min(DECODERS, os.cpu_count() or 1)) as guards, ThreadPoolExecutor(DECODERS) as pool:
        by_row = list(pool.map(lambda row: _check_recording(row[0], row[1], sheet.file, guards), rows))
    sound = [numbered for numbered, problems in zip(rows, by_row, strict=True) if not problems]
    return list(reading.problems) + [one for problems in by_row for one in problems] + _same_audio(sound, sheet.file)


@contextmanager
def _guards(count: int) -> Iterator[SimpleQueue[Guard]]:
    """Guards to be taken and put back; their workers are started when first asked."""
    guards: SimpleQueue[Guard] = SimpleQueue()
    with ExitStack() as stack:
        for _ in range(count):
            guards.put(stack.enter_context(Guard()))
        yield guards


def _check_recording(number: int, row: Row, file: str, guards: SimpleQueue[Guard]) -> list[Problem]:
    path, channel = row["path"], row["channel"]
    if not os.path.lexists(path):
        return [Problem(file, number, "file", shown(row["file"]), "a file that is there", _near(path))]
    guard = guards.get()
    try:
        wrong: Examination = guard.ask(
            "examine", time_limit_s(path), path=str(path), channel=channel, start_s=row["start_s"], end_s=row["end_s"]
        )
    except AudioError as error:
        return [Problem(file, number, "file", shown(row["file"]), "a recording that can be used", str(error))]
    finally:
        guards.put(guard)
    if "channels" in wrong:
        of = wrong["channels"]
        return [Problem(file, number, "channel", str(channel), f"a channel from 1 to {of}", f"the file has {of}")]
    if "unusable" in wrong:
        return [Problem(file, number, "file", shown(row["file"]), "a recording that can be used", wrong["unusable"])]
    return [
        Problem(file, number, "file", shown(row["file"]), "a recording in order", text) for text in wrong["warnings"]
    ]


def _near(path: Path) -> str:
    """Return why a file may be missing: what stands in the folder instead."""
    folder = path.parent
    while not os.path.isdir(folder) and folder != folder.parent:
        folder = folder.parent
    if folder != path.parent:
        missing = path.relative_to(folder).parts[0]
        return f"there is no folder '{printable(missing)}' in {folder.as_posix()}"
    names = _names(folder)
    close = difflib.get_close_matches(path.name.casefold(), list(names), n=1, cutoff=0.7)
    return f"there is '{printable(names[close[0]])}'" if close else "moved, renamed or not copied"


def _names(folder: Path) -> dict[str, str]:
    """Return the names in a folder by their case-folded form; none when there are too many to search or no access."""
    try:
        with os.scandir(folder) as entries:
            names = [entry.name for entry in itertools.islice(entries, MOST_NAMES + 1)]
    except OSError:
        return {}
    return {name.casefold(): name for name in sorted(names)} if len(names) <= MOST_NAMES else {}


def kinds_apart(study: Study) -> list[str]:
    """Which kinds a study holds that are not compared with each other; how basses of two ranges are all the same."""
    kinds = Counter(row["family"] for row in study.instruments.values())
    if len(kinds) < 2:
        return []
    told = f"Each kind is compared with itself alone: {', '.join(f'{n} of {kind}' for kind, n in kinds.items())}."
    if kinds.keys() >= BASSES:
        told += (
            " To compare the basses all the same, give all the family clarinet_bass_low_c and write into config.yaml: "
            "`recording_defaults: {families: {clarinet_bass_low_c: {low: Eb3}}}`"
        )
    return [told]


def unnamed_audio(reading: Reading) -> list[str]:
    """What to do about recordings that lie beside those of a study and that no row names; nothing where there are none.

    Looked through are the folders of the recordings named and what lies up to two folders deep below the one that holds
    them all.
    """
    named = {row["path"] for row in reading.sheets["recordings"].rows if row["path"] is not None}
    if not named:
        return []
    top = Path(os.path.commonpath([path.parent for path in named]))
    if top == Path(top.anchor):
        return []
    left: list[str] = []
    for seen, (place, below, names) in enumerate(os.walk(top)):
        deep = len(Path(place).relative_to(top).parts)
        below[:] = sorted(name for name in below if not name.startswith(".") and name != "results") if deep < 2 else []
        left += [
            (Path(place) / name).relative_to(top).as_posix()
            for name in sorted(names)
            if is_recording(name) and Path(place, name) not in named
        ]
        if seen >= MOST_NAMES:
            break
    if not left:
        return []
    listed = ", ".join(map(printable, left[:5])) + (f" and {len(left) - 5} more" if len(left) > 5 else "")
    return [
        f"In {shown_path(top)} there are recordings that no row of the sheet names: {listed}. "
        f"They join the study with: {command()} add {typed(reading.folder)} --audio {typed(top)}"
    ]


def _same_audio(opened: list[tuple[int, Row]], file: str) -> list[Problem]:
    """Find copies: one recording under two names would pass for a perfect repeat."""
    problems = []
    by_size: dict[tuple[object, ...], list[tuple[int, Row]]] = {}
    first: dict[tuple[object, ...], tuple[int, Path]] = {}
    for number, row in opened:
        by_size.setdefault((os.path.getsize(row["path"]), *map(row.get, PART)), []).append((number, row))
    for number, row in (same for rows in by_size.values() if len(rows) > 1 for same in rows):
        digest = sha256(row["path"])
        if digest is None:
            continue  # gone since it was opened
        before, path = first.setdefault((digest, *map(row.get, PART)), (number, row["path"]))
        if path != row["path"]:
            cause = f"it holds the same bytes as the file of row {before}: a copy or a link"
            problems.append(Problem(file, number, "file", shown(row["file"]), "each recording once", cause))
    return problems
