"""Which takes the files of a folder hold, and whose: one each, or the scales found in a long one; a running list.

A running list names the takes in the order in which they were recorded, one a line: instrument, then words of how it
was played and its state, where they differ from the usual. The running sheet of a plan is one too.
"""

import html
import re
from dataclasses import replace
from pathlib import Path
from statistics import median
from typing import Any

from evenbore.facts.namewords import PLAYING
from evenbore.files.errors import AudioError, EvenboreError
from evenbore.process.guard import Guard, time_limit_s
from evenbore.study.defaults import range_advice
from evenbore.study.names import KIND, Guess, folded, name_key, natural
from evenbore.trade.families import Family, load_family
from evenbore.trade.pitch import midi_to_note

LONG_S = 60.0  # ASSUME: one take is shorter as a rule, and two are seldom; own choice
LEAST_PART = 5.0  # semitones; less of a scale is not worth telling
NUMBERED_TOGETHER = ("instrument", "session", *PLAYING)  # columns that repeats of the same thing have in common
SEVERAL = "several scales in one file: which instrument is each?"
LETTERS_WORD = {"p": "piano", "f": "forte"}
HEARD = "no scale is heard in it"
NO_ORDER = "told by the list, in the order in which the files were saved"


def takes_in(
    guesses: list[Guess], paths: list[Path], families_dir: Path | None
) -> tuple[list[Guess], list[Path], list[str]]:
    """Every take of every file, with the path of its file; and lines on what the files listened to hold.

    Listened to are long files, and those whose names tell no instrument.
    """
    takes, files, lines = [], [], []
    heard: list[tuple[Guess, dict[str, Any], Family]] = []
    several_files = len(guesses) > 1
    with Guard() as guard:
        for guess, path in zip(guesses, paths, strict=True):
            found = _listen(guess, path, families_dir, guard) if guess.family else {}
            scales = found.get("scales", [])
            if scales:
                trade = load_family(guess.family, families_dir)
                lines += _told(guess.file, found, trade)
            elif found.get("duration_s", 0) >= LONG_S:
                lines.append(f"{guess.file}: {clock(found['duration_s'])} long, {HEARD}")
            of_file = [guess]
            if len(scales) > 1:
                same = several_files and bool(guess.why["instrument"])
                of_file = [_of_scale(guess, scale, number, same) for number, scale in enumerate(scales, 1)]
            heard += [(take, scale, trade) for take, scale in zip(of_file, scales, strict=False)]
            takes += of_file
            files += [path] * len(of_file)
    middle_db = median(scale["level_db"] for _, scale, _ in heard) if heard else 0.0
    for take, scale, trade in heard:
        take.heard = _in_words(scale, trade, middle_db)
    if unknown := sum(not guess.family for guess in guesses):
        lines.append(f"Not listened to, as nothing tells the kind of instrument: {unknown} of {len(guesses)} files.")
    return takes, files, lines


def _listen(guess: Guess, path: Path, families_dir: Path | None, guard: Guard) -> dict[str, Any]:
    """What a file holds; nothing of a short one, or one that cannot be read, which `check` tells."""
    try:
        found: dict[str, Any] = guard.ask(
            "scales", time_limit_s(path), path=str(path), family=guess.family,
            families_dir=None if families_dir is None else str(families_dir),
            least_s=LONG_S if guess.why["instrument"] else 0.0,
        )  # fmt: skip
    except AudioError:
        return {}
    return found


def _in_words(scale: dict[str, Any], trade: Family, middle_db: float) -> str:
    """Range, length and loudness of a scale; `middle_db`: the level of the middle one of all."""
    louder = round(scale["level_db"] - middle_db)
    words = "as loud as most" if louder == 0 else f"{abs(louder)} dB {'louder' if louder > 0 else 'softer'} than most"
    seconds = scale["last_s"] - scale["first_s"]
    return f"{_ends(scale, trade)}, {scale['direction']}, {seconds:.0f} s, {words}"


def _ends(scale: dict[str, Any], trade: Family) -> str:
    return " to ".join(midi_to_note(round(scale[end] - trade.to_sounding(0))) for end in ("low", "high"))


def _of_scale(guess: Guess, scale: dict[str, Any], number: int, same: bool) -> Guess:
    """The take that a scale of a long file is: of the instrument that the name tells, or of one of its own."""
    heard = {key: str(scale[key]) for key in ("start_s", "end_s", "direction", "pattern")}
    name = guess.told["instrument"] if same else f"{guess.told['instrument']} {number}"
    told = {key: value for key, value in guess.told.items() if key != "take"} | heard | {"instrument": name}
    why = guess.why | {"take": "its place in the file"}
    why |= {"instrument": guess.why["instrument"] if same else ""} | dict.fromkeys(("direction", "pattern"), "heard")
    return replace(guess, told=told, why=why, doubts=[*guess.doubts, SEVERAL])


def _told(file: str, found: dict[str, Any], trade: Family) -> list[str]:
    """What a file of several scales holds beside them."""
    if len(found["scales"]) == 1:
        return []
    shift = trade.to_sounding(0)
    ends = [
        (trade.key, trade.low, trade.high, round(s["low"] - shift), round(s["high"] - shift)) for s in found["scales"]
    ]
    parts = [
        (p["first_s"], p["last_s"], f"{_ends(p, trade)} only")
        for p in found["parts"]
        if p["high"] - p["low"] >= LEAST_PART
    ]
    lines = [f"{file}: {clock(found['duration_s'])} long, {len(found['scales'])} scales in it; between them:"]
    between = sorted([*map(tuple, found["between"]), *parts])
    lines += [f"  {clock(a)} to {clock(b)}: {words}" for a, b, words in between]
    return lines + range_advice(ends, {})


def clock(seconds: float) -> str:
    """A time in a file.

    >>> clock(75.4), clock(3675.0)
    ('1:15', '1:01:15')
    """
    minutes, rest = divmod(round(seconds), 60)
    return f"{minutes // 60}:{minutes % 60:02}:{rest:02}" if minutes >= 60 else f"{minutes}:{rest:02}"


def read_order(path: Path, states: list[str]) -> list[dict[str, str]]:
    """The takes of a running list, in order: instrument, and the sheet's columns that are told."""
    try:
        text = path.read_text(encoding="utf-8-sig")
    except UnicodeDecodeError as error:
        raise EvenboreError(f"{path.as_posix()} is no text in UTF-8: save the list as plain text.") from error
    lines = [line.split("#")[0].strip() for line in text.splitlines()]
    if "<html" in text:
        turns = re.findall(r'class="code">(.*?)</td>.*?<ul class="takes">(.*?)</ul>', text, re.DOTALL)
        lines = [
            f"{html.unescape(code)} {words}" for code, takes in turns for words in re.findall(r"☐ ([\w -]+):", takes)
        ]
    _check_letters(lines, path)
    takes = [_of_line(line, states) for line in lines if line]
    if not takes:
        raise EvenboreError(f"{path.as_posix()}: no take in it; allowed: one a line, as `yew mf`.")
    return takes


def _check_letters(lines: list[str], path: Path) -> None:
    """Where single letters name instruments, a p or an f may be one, or tell how loud."""
    last = [line.split()[-1] for line in lines if line]
    if any(len(word) == 1 and word.isalpha() and folded(word) not in PLAYING["dynamic"] for word in last):
        for line, word in zip(filter(None, lines), last, strict=True):
            if len(word) == 1 and folded(word) in PLAYING["dynamic"]:
                raise EvenboreError(
                    f"{path.as_posix()}: found `{line}`; is {word} a name, or how loud? For a name write "
                    f"`{'_'.join(line.split())}`, else `{LETTERS_WORD[folded(word)]}`."
                )


def _of_line(line: str, states: list[str]) -> dict[str, str]:
    words, told = re.split(r"[\s,;]+", line), {}
    while len(words) > 1:
        word = folded(words[-1])
        known = {column: of[word] for column, of in PLAYING.items() if word in of and column not in told}
        if word in map(folded, states):
            known = {"state": str([folded(state) for state in states].index(word))}
        if not known:
            break
        column, value = next(iter(known.items()))
        told[column] = states[min(int(value), len(states) - 1)] if column == "state" else value
        words.pop()
    return {"instrument": " ".join(words)} | told


def assign(guesses: list[Guess], paths: list[Path], order: list[dict[str, str]]) -> list[str]:
    """Give the takes the list's instruments as they were recorded, in place; return lines on what differs."""
    by_name = all(
        re.search(r"\d", path.name) or "start_s" in guess.told for guess, path in zip(guesses, paths, strict=True)
    )
    place = sorted(
        range(len(guesses)),
        key=lambda i: (
            natural(guesses[i].file) if by_name else [(0, paths[i].stat().st_mtime_ns, "")],
            float(guesses[i].told.get("start_s", 0)),
        ),
    )
    lines, count = [], ""
    if len(order) != len(guesses):
        count = f"the list has {len(order)} takes, the recordings {len(guesses)}"
        lines = [f"Please look: {count}. From where they part, the list is wrong for what follows."]
    for i, told in zip(place, order, strict=False):
        guess = guesses[i]
        against = guess.why["instrument"] and not guess.doubts
        if against and name_key(guess.told["instrument"]) != name_key(told["instrument"]):
            guess.doubt(f"the list says {told['instrument']}, the name {guess.told['instrument']}")
            continue
        guess.doubts = [KIND] * (KIND in guess.doubts)
        guess.why.setdefault("take", "its place in the list")
        for column, value in told.items():
            if column != "instrument" and guess.told.get(column, value) != value and guess.why.get(column) != "heard":
                guess.doubt(f"the list and the name differ in {column}")
            guess.told[column], guess.why[column] = value, "the list"
        if not by_name:
            guess.doubt(NO_ORDER)
    for guess in guesses if count else []:
        guess.doubt(count)
    return lines
