"""A study folder from a folder of recordings: what file and folder names tell, and what they do not.

Names are cut into words. Words that mean something (take2, mf, tongued, down, after, s1, 2024-05-03) are
taken out; what is left names the instrument or, for a folder, the session. Nothing is overwritten and no
recording is copied or changed.
"""

import os
import re
import shutil
import unicodedata
from collections import defaultdict
from dataclasses import dataclass, field
from datetime import date
from pathlib import Path
from typing import Any

from evenbore.facts.formats import AUDIO_SUFFIXES
from evenbore.files.errors import EvenboreError
from evenbore.files.paths import repo_root
from evenbore.study.config import default_config, load_schema
from evenbore.study.sheetfile import RESERVED, write_sheet
from evenbore.study.sheets import CONFIG, SAME_TAKE
from evenbore.trade.families import family_keys, likely_family

WORDS: dict[str, dict[str, Any]] = {
    "dynamic": {
        "pp": "pp",
        "p": "p",
        "mp": "mp",
        "mf": "mf",
        "f": "f",
        "ff": "ff",
        "pianissimo": "pp",
        "piano": "p",
        "mezzopiano": "mp",
        "mezzoforte": "mf",
        "forte": "f",
        "fortissimo": "ff",
    },
    "articulation": {
        "slurred": "slurred",
        "slur": "slurred",
        "legato": "slurred",
        "tongued": "tongued",
        "tongue": "tongued",
        "detached": "tongued",
        "staccato": "tongued",
    },
    "direction": {
        "up": "up",
        "ascending": "up",
        "asc": "up",
        "down": "down",
        "descending": "down",
        "desc": "down",
        "updown": "up-down",
    },
    "pattern": {
        "chromatic": "chromatic",
        "major": "major",
        "passage": "passage",
        "melody": "passage",
        "excerpt": "passage",
    },
    "state": {"before": 0, "found": 0, "after": 1},  # the first and the second state of the config
}
SAYS_NOTHING = frozenset({"scale", "scales", "recording", "recordings", "rec", "audio", "wav", "track", "as", "setup"})
DATE_WORD = re.compile(r"(?<!\d)(\d{4})([-_.]?)(\d{2})\2(\d{2})(?!\d)")
TAKE_WORD = re.compile(r"(?<![^\W_])(?:take|tk|t)[ _.-]*(\d{1,4})(?!\d)", re.IGNORECASE)
SESSION_WORD = re.compile(r"(?<![^\W_])(?:session|sess|s|evening|day)[ _.-]*\d{1,3}(?![^\W_])", re.IGNORECASE)
LEADING = re.compile(r"([A-Za-z]\d{1,2})[ _.-]+(.+)")
LAST_NUMBER = re.compile(r"[ _.(#-]+(\d{1,4})\)?$")
UP_DOWN = re.compile(r"(?<![^\W_])up[ _.+-]*(?:and[ _.-]*)?down(?![^\W_])", re.IGNORECASE)
UNWRITABLE = re.compile("[\x00-\x1f\x7f\ud800-\udfff]")  # line breaks and the like, and bytes that are not UTF-8


@dataclass
class _Guess:
    """What the name of one recording tells; `told` holds sheet columns, the rest are words left over."""

    file: str
    told: dict[str, str] = field(default_factory=dict)
    day: str = ""
    session: str = ""
    folders: list[str] = field(default_factory=list)
    rest: str = ""
    take_is_guess: bool = False


def new_study(study_dir: str | Path, audio_dir: str | Path, family: str) -> list[str]:
    """Write config and sheets of a new study for the recordings in a folder and below.

    Returns what the names told: a line per recording, in order of their names, and lines on what goes for several.
    Raises EvenboreError when there is a study already, no recording, or no such family.
    """
    study, audio = Path(study_dir).absolute(), Path(audio_dir).absolute()
    paths = [study / CONFIG, *(study / path for path in default_config()["sheets"].values())]
    standing = [path.as_posix() for path in paths if path.exists()]
    if standing:
        raise EvenboreError(
            f"There is a study already: {', '.join(standing)}. Nothing was written; "
            "give another folder, or move these files away."
        )
    known = family_keys()
    if family not in known:
        likely = likely_family(family, known)
        raise EvenboreError(
            f"There is no family {family!r}; allowed: {', '.join(known)}." + (f" Perhaps {likely}?" if likely else "")
        )
    files, lines = _audio_files(audio, study)
    if not files:
        raise EvenboreError(
            f"No recordings in {audio.as_posix()} or below; allowed: files that end in "
            f"{' '.join(AUDIO_SUFFIXES)}. Likely cause: another folder was meant."
        )
    guesses = [_guess(file, path, audio) for file, path in files]
    instruments, sessions = _name_all(guesses)
    recordings = [_recording(guess, instruments, sessions) for guess in guesses]
    _number_takes(recordings, guesses)
    taken: set[str] = set()
    for row, (_, path) in zip(recordings, files, strict=True):
        row["recording"] = _free_id(path.relative_to(audio).with_suffix("").as_posix(), "recording", taken)
    session_rows = _session_rows(guesses, sessions)
    lines += [_line(row, guess, len(session_rows)) for row, guess in zip(recordings, guesses, strict=True)]
    lines += _general_lines(guesses, session_rows)
    _write(study, recordings, _instrument_rows(guesses, instruments, family), session_rows)
    return lines


def _audio_files(audio: Path, study: Path) -> tuple[list[tuple[str, Path]], list[str]]:
    """Return (path as the sheet holds it, path) of every recording, sorted, and lines on those left out."""
    if not audio.is_dir():
        raise EvenboreError(f"{audio.as_posix()} is not a folder; allowed: the folder that holds the recordings.")
    files, lines = [], []
    for folder, below, names in os.walk(audio):
        below[:] = [name for name in below if not name.startswith(".") and Path(folder, name) != study / "results"]
        for name in names:
            path = Path(folder, name)
            if name.startswith(".") or path.suffix.lower() not in AUDIO_SUFFIXES:
                continue
            file = _as_written(path, study)
            if UNWRITABLE.search(file):
                lines.append(f"{file!a}: left out; its name holds characters that a sheet cannot. Rename the file.")
            else:
                files.append((file, path))
    return sorted(files), sorted(lines)


def _as_written(path: Path, study: Path) -> str:
    """Return the path relative to the study, absolute where there is no such path (another Windows drive)."""
    try:
        file = Path(os.path.relpath(path, study)).as_posix()
    except ValueError:
        return path.as_posix()
    return file if file == file.strip() else f"./{file}"


def _guess(file: str, path: Path, audio: Path) -> _Guess:
    """Read one path: the file's own name speaks before its folders', the nearest folder before the outer."""
    guess = _Guess(file)
    parts = list(path.relative_to(audio).parts)
    parts[-1] = path.stem
    for part in reversed(parts):
        rest = _take_words(part, guess, is_file=part is parts[-1])
        if part is parts[-1]:
            guess.rest = rest
        elif rest:
            guess.folders.insert(0, rest)
    return guess


def _take_words(part: str, guess: _Guess, is_file: bool) -> str:
    """Move the words that mean something from one part of a path to the guess; return what is left."""

    def tell(column: str, value: str) -> None:
        guess.told.setdefault(column, value)

    for written in DATE_WORD.finditer(part):
        try:
            day = date(int(written[1]), int(written[3]), int(written[4])).isoformat()
        except ValueError:
            continue
        guess.day = guess.day or day
        part = part.replace(written[0], " ", 1)
    if UP_DOWN.search(part):
        tell("direction", "up-down")
        part = UP_DOWN.sub(" ", part)
    if match := TAKE_WORD.search(part):
        tell("take", str(int(match[1])))
        part = TAKE_WORD.sub(" ", part, count=1)
    if match := SESSION_WORD.search(part):
        guess.session = guess.session or match[0]
        part = SESSION_WORD.sub(" ", part, count=1)
    if is_file and "take" not in guess.told and (match := LAST_NUMBER.search(part)) and int(match[1]) > 0:
        tell("take", str(int(match[1])))
        guess.take_is_guess = True
        part = part[: match.start()]
    left = []
    for word in re.split(r"([\s_.,+()\[\]-]+)", part):
        folded = word.casefold()
        column = next((column for column, words in WORDS.items() if folded in words), None)
        if column == "state":
            states = default_config()["states"]
            tell("state", states[min(WORDS["state"][folded], len(states) - 1)])
        elif column is not None:
            tell(column, WORDS[column][folded])
        elif folded not in SAYS_NOTHING:
            left.append(word)
    return _trimmed(re.sub(r"\s+", " ", "".join(left)))


def _trimmed(name: str) -> str:
    """Return a name without empty brackets and what stands at its ends; a bracket that lost its other half goes."""
    name = re.sub(r"\([\s_.,+-]*\)|\[[\s_.,+-]*\]", " ", name).strip(" _.,+-")
    balanced = name.count("(") == name.count(")") and name.count("[") == name.count("]")
    return name if balanced else name.strip(" _.,+-()[]")


def _name_all(guesses: list[_Guess]) -> tuple[dict[str, str], dict[str, str]]:
    """Decide for every guess which words name the instrument and which the session; return name -> id of each.

    Where every folder holds recordings of one name only, folders are instruments; where a folder holds
    several, it is a session of several instruments.
    """
    _take_leading_sessions(guesses)
    names_in: dict[tuple[str, ...], set[str]] = defaultdict(set)
    for guess in guesses:
        names_in[tuple(guess.folders)].add(guess.rest.casefold())
    folders_are_instruments = all(len(names) == 1 for names in names_in.values()) and len(names_in) > 1
    for guess in guesses:
        if guess.folders and (folders_are_instruments or not guess.rest):
            *outer, guess.told["instrument"] = guess.folders
        else:
            outer = guess.folders
            guess.told["instrument"] = guess.rest
        guess.told["session"] = guess.session or " ".join(outer) or guess.day
    return (
        _ids([guess.told["instrument"] for guess in guesses], "instrument"),
        _ids([guess.told["session"] for guess in guesses], "session"),
    )


def _take_leading_sessions(guesses: list[_Guess]) -> None:
    """Take words such as e1 or r2 in front of all names as sessions, in place, when they cross with the rest.

    They cross when a rest comes with several of them (an instrument recorded again) and one of them with
    several rests; otherwise the word belongs to the instrument's name.
    """
    matches = [match for guess in guesses if (match := LEADING.fullmatch(guess.rest))]
    if len(matches) < len(guesses) or any(guess.session for guess in guesses):
        return
    pairs = {(match[1].casefold(), match[2].casefold()) for match in matches}
    if max(len({first for first, _ in pairs}), len({rest for _, rest in pairs})) < len(pairs):
        for guess, match in zip(guesses, matches, strict=True):
            guess.session, guess.rest = match[1], match[2]


def _ids(names: list[str], kind: str) -> dict[str, str]:
    """Return an id for every name; names alike but for upper and lower case share one."""
    ids: dict[str, str] = {}
    by_fold: dict[str, str] = {}
    taken: set[str] = set()
    for name in dict.fromkeys(names):
        if name.casefold() not in by_fold:
            by_fold[name.casefold()] = _free_id(name, kind, taken)
        ids[name] = by_fold[name.casefold()]
    return ids


def _free_id(name: str, kind: str, taken: set[str]) -> str:
    """Return an id made from a name, unlike those taken (without regard to case), and take it."""
    key = id_from(name)
    candidates = [key] if key else []
    number = 1 if not key else 2
    while not candidates or candidates[-1].casefold() in taken:
        candidates.append(f"{key}_{number}" if key else f"{kind}{number}")
        number += 1
    taken.add(candidates[-1].casefold())
    return candidates[-1]


def id_from(name: str) -> str:
    """Return a name as an id: accents dropped, other characters to _; '' when nothing is left."""
    plain = unicodedata.normalize("NFKD", name).encode("ascii", "ignore").decode("ascii")
    key = re.sub(r"[^A-Za-z0-9_-]+", "_", plain).strip("_-")[:80]
    return f"{key}_1" if key.casefold() in RESERVED else key


def _recording(guess: _Guess, instruments: dict[str, str], sessions: dict[str, str]) -> dict[str, str]:
    ids = {"instrument": instruments[guess.told["instrument"]], "session": sessions[guess.told["session"]]}
    return guess.told | ids | {"file": guess.file}


def _blank_means() -> dict[str, str]:
    """What a blank cell of the sheet of recordings stands for."""
    columns = load_schema("recordings")["properties"]
    blank = {column: spec.get("default", "") for column, spec in columns.items()}
    return blank | {"state": default_config()["states"][0]}


def _number_takes(recordings: list[dict[str, str]], guesses: list[_Guess]) -> None:
    """Give every take a number of its own among repeats of the same thing, in place."""
    blank = _blank_means()
    taken: dict[tuple[str, ...], set[int]] = defaultdict(set)
    order = sorted(range(len(recordings)), key=lambda i: "take" not in guesses[i].told)  # the told ones first
    for i in order:
        row = recordings[i]
        same = taken[tuple(row.get(column, blank[column]) for column in SAME_TAKE if column != "take")]
        number = int(row.get("take", "1"))
        while number in same:
            number += 1
        same.add(number)
        row["take"] = str(number)


def _line(row: dict[str, str], guess: _Guess, n_sessions: int) -> str:
    """Say what the name of one recording told, and what of it is doubtful."""
    told, doubtful = [], []
    for column in ("instrument", "session", "take", *WORDS):
        value = row.get(column, "")
        if guess.told.get(column):
            if column == "take" and value != guess.told["take"]:
                doubtful.append(f"take (number {guess.told['take']} was there already, written: {value})")
            else:
                at_end = " (the number at the end)" if column == "take" and guess.take_is_guess else ""
                told.append(f"{column} {value}{at_end}")
        elif column == "instrument" or (column == "session" and n_sessions > 1) or (column == "take" and value != "1"):
            doubtful.append(f"{column} (not told, written: {value})")
    return f"{guess.file}: {', '.join(told) or 'nothing'}" + (
        f"; please look at: {', '.join(doubtful)}" * bool(doubtful)
    )


def _general_lines(guesses: list[_Guess], sessions: list[dict[str, str]]) -> list[str]:
    """Say what holds where names told nothing, for all recordings at once."""
    lines = []
    if len(sessions) == 1 and not any(guess.told["session"] for guess in guesses):
        lines.append(f"No session is told: all are put into one, {sessions[0]['session']}.")
    undated = [row["session"] for row in sessions if not row["date"]]
    if undated:
        lines.append(f"No date is told (it may stay blank) for: {', '.join(undated)}.")
    means = _blank_means()
    blank = [column for column in WORDS if any(not guess.told.get(column) for guess in guesses)]
    if blank:
        lines.append("Blank means: " + ", ".join(f"{column} {means[column]}" for column in blank) + ".")
    return lines


def _instrument_rows(guesses: list[_Guess], instruments: dict[str, str], family: str) -> list[dict[str, str]]:
    labels: dict[str, str] = {}
    for guess in guesses:
        name = guess.told["instrument"]
        labels.setdefault(instruments[name], name[:200] or instruments[name])
    return [{"instrument": key, "label": label, "family": family} for key, label in labels.items()]


def _session_rows(guesses: list[_Guess], sessions: dict[str, str]) -> list[dict[str, str]]:
    """One row per session; the date is left blank where a session's recordings tell more than one.

    The name of a folder that is a session is kept as the comment: it may tell the room or the day.
    """
    rows: dict[str, dict[str, str]] = {}
    days: dict[str, set[str]] = defaultdict(set)
    for guess in guesses:
        name = guess.told["session"]
        key = sessions[name]
        folder = "" if name in ("", guess.session, guess.day) else f"folder: {name}"
        rows.setdefault(key, {"session": key, "date": "", "comment": folder})
        days[key].add(guess.day)
    return [row | {"date": days[key].pop() if len(days[key]) == 1 else ""} for key, row in rows.items()]


def _write(
    study: Path, recordings: list[dict[str, Any]], instruments: list[dict[str, Any]], sessions: list[dict[str, Any]]
) -> None:
    paths = default_config()["sheets"]
    for kind, rows in (("recordings", recordings), ("instruments", instruments), ("sessions", sessions)):
        (study / paths[kind]).parent.mkdir(parents=True, exist_ok=True)
        write_sheet(study / paths[kind], kind, rows)
    shutil.copyfile(repo_root() / CONFIG, study / CONFIG)
