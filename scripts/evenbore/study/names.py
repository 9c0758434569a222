"""What file and folder names tell of recordings, with the evidence, and what of it is doubtful.

Names are cut into words. Words that mean something (take2, mf, leise, tongued, down, nachher, s1, 2024-05-03) are
taken out; what is left names the instrument or, for a folder, the session. A number beside a name may be a take, an
instrument's own or a recorder's counter: only where the other words decide it, it is taken without a doubt. A doubt is
a sentence for the sheet's `confirm` column.
"""

import difflib
import re
import unicodedata
from collections import Counter, defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import date
from pathlib import PurePath

from evenbore.facts.namewords import (
    AGAIN,
    DEVICE,
    KINDS,
    NUMBERED_SESSION,
    PLAYING,
    REMARKS,
    SAYS_NOTHING,
    SESSION_WORDS,
    TAKE,
    family_told,
)

_SPLIT = re.compile(r"([\s_.,;+()\[\]#&-]+)")
_DATES = (  # with the groups of year, month and day
    (re.compile(r"(?<!\d)((?:19|20)\d{2})([-_.]?)(\d{2})\2(\d{2})(?!\d)"), (1, 3, 4)),
    (re.compile(r"(?<!\d)(\d{1,2})([-_.])(\d{1,2})\2((?:19|20)\d{2})(?!\d)"), (4, 3, 1)),
    (re.compile(r"(?<!\d)(\d{2})(\d{2})(\d{2})(?=[-_]\d{3,6}(?!\d))"), (1, 2, 3)),  # a recorder's: 240503-0012
)
_TIME_AFTER_DATE = re.compile(r"\0[\sT_.,-]*(?:at |um )?[0-2]?\d[-_.:h]?[0-5]\d(?:[-_.:]?[0-5]\d)?(?!\d)")
_TIME = re.compile(r"(?<![\d.-])[0-2]?\d([-_.:])[0-5]\d\1[0-5]\d(?![\d.-])|(?<!\d)[0-2]?\d[h:][0-5]\d(?!\d)")
_UP_DOWN = re.compile(r"(?<![^\W_])up[ _.+-]*(?:and[ _.-]*)?down(?![^\W_])", re.IGNORECASE)
_LEADING = re.compile(r"([A-Za-z]\d{1,2})[ _.-]+(.+)")
_RUNNING = re.compile(r"(\d{1,3})[ _.-]+(\D.*)")
_ALIKE = 0.8  # ASSUME: names this much alike may be one, misspelt; own choice, tuned by trial

UNTOLD = "the name tells no instrument"
BARE_NUMBER = "the number beside the name: another instrument, or a take?"
SERIAL = "the number: an instrument's own, or a recorder's counter?"
FOLDER_OR_FILE = "which tells the instrument, the folder or the file's name?"
LEADING_WORD = "the first word: a session, or part of the instrument's name?"
RUNNING_NUMBER = "the number in front: the recordings' running number, or the instrument's?"
CROSSED = "two words of the names go across: which is the instrument?"
LETTER = "a single p or f: how loud, or part of the name?"
TWICE = "the name says two things of"
KIND = "which kind of instrument? Look at its family, too"
RESEMBLES = "almost the name of another instrument: the same?"
NO_BEFORE = "after something, but nothing of it is from before"


@dataclass
class Guess:
    """What the name of one recording tells.

    `told`: sheet columns, with the names of instrument and session for their ids; `why`: the words each was read from;
    `doubts`: what wants a look. `place`: a folder that tells a day or room. `rest`: words left over that name
    something, as written; `number`: one at the end that nothing explains; `whole`: both. `family`: the kind of
    instrument, "" where nothing tells it. `heard`: what was heard of the take, in words.
    """

    file: str
    told: dict[str, str] = field(default_factory=dict)
    why: dict[str, str] = field(default_factory=dict)
    doubts: list[str] = field(default_factory=list)
    day: str = ""
    session: str = ""
    folders: list[str] = field(default_factory=list)
    place: str = ""
    folder_is_session: bool = False
    rest: str = ""
    number: str = ""
    whole: str = ""
    stem: str = ""
    family: str = ""
    heard: str = ""

    def tell(self, column: str, value: str, word: str) -> None:
        """Take what a word says; the file's own name, read first, speaks before its folders."""
        if self.told.setdefault(column, value) == value:
            self.why.setdefault(column, word)

    def doubt(self, sentence: str) -> None:
        """Note a doubt once."""
        if sentence not in self.doubts:
            self.doubts.append(sentence)


def read_names(names: list[tuple[str, PurePath]], states: list[str], known: Sequence[str] = ()) -> list[Guess]:
    """Guess from (path as the sheet holds it, path below the folder of recordings) of all recordings of a folder.

    `known`: instruments that the study has already.
    """
    stems = {letter for _, path in names for letter in _single_letters(path.stem)}
    letters_name = bool(stems - {"p", "f"})
    guesses = [_read(file, path, states, letters_name) for file, path in names]
    _take_leading_sessions(guesses)
    _take_running_numbers(guesses)
    _settle_numbers(guesses)
    _choose_instruments(guesses)
    _doubt_crossings(guesses)
    _doubt_resemblances(guesses, known)
    _doubt_states(guesses, states)
    return guesses


def folded(text: str) -> str:
    """A text in lower case without accents."""
    plain = unicodedata.normalize("NFKD", text.casefold())
    return "".join(char for char in plain if not unicodedata.combining(char))


def name_key(name: str) -> str:
    """What names of one instrument have in common, however they are written: alto-a, Alto A and altoA are one."""
    parts = re.findall(r"[^\W\d_]+|\d+", folded(name))
    key = ""
    for part in parts:
        number = part.lstrip("0") or "0" if part.isdecimal() and len(part) < 3 else part
        key += f" {number}" if part.isdecimal() else (part if not key or not key[-1].isdecimal() else f" {part}")
    return key or name.casefold()


def natural(text: str) -> list[tuple[int, int, str]]:
    """Sorts texts as people count: 9 before 10."""
    parts = re.split(r"(\d+)", folded(text))
    return [(1, int(part), "") if part.isdecimal() else (0, 0, part) for part in parts]


def _single_letters(stem: str) -> set[str]:
    return {folded(word) for word in _SPLIT.split(stem)[::2] if len(word) == 1 and word.isalpha()}


def _read(file: str, path: PurePath, states: list[str], letters_name: bool) -> Guess:
    """Read one path: the file's own name speaks before its folders', the nearest folder before the outer."""
    guess = Guess(file, stem=path.stem)
    guess.rest = _read_part(path.stem, guess, states, letters_name, is_file=True)
    for folder in reversed(path.parts[:-1]):
        session = guess.session
        rest = _read_part(folder, guess, states, letters_name, is_file=False)
        if rest and any(folded(word) in SESSION_WORDS for word in _SPLIT.split(rest)[::2]):
            guess.place, rest = guess.place or rest, ""
        guess.folder_is_session |= guess.session != session or bool(guess.place)
        if rest:
            guess.folders.insert(0, rest)
    told = (family_told(re.findall(r"[^\W\d_]+", folded(part))) for part in (path.stem, *reversed(path.parts[:-1])))
    guess.family = next(filter(None, told), "")
    return guess


def _read_part(part: str, guess: Guess, states: list[str], letters_name: bool, is_file: bool) -> str:
    """Move the words that mean something from one part of a path to the guess; return what is left."""
    part = _take_days(part, guess)
    if match := _UP_DOWN.search(part):
        guess.tell("direction", "up-down", match[0])
        part = _UP_DOWN.sub(" ", part)
    cut = _SPLIT.split(part)
    words, gaps = cut[::2], [*cut[1::2], ""]
    said: dict[str, str] = {}
    names: list[int] = []  # the words that name something
    before = ""  # what the word before said, where it said anything
    number_is_take, at = False, 0
    while at < len(words):
        column, value, used = _meaning(words[at : at + 3], is_file)
        evidence = " ".join(words[at : at + used])
        if column in PLAYING and letters_name and len(evidence) == 1:
            column = "name"
            guess.doubt(LETTER)
        if column == "name":
            names.append(at)
            number_is_take = words[at].isdecimal() and int(words[at]) > 0 and before in (*PLAYING, "again")
        elif column in PLAYING or column == "take":
            value = states[min(int(value), len(states) - 1)] if column == "state" else value
            if said.setdefault(column, value) != value:
                guess.doubt(f"{TWICE} {column}")
            guess.tell(column, value, evidence)
        elif column == "again":
            guess.why.setdefault("take", evidence)
        elif column == "session":
            guess.session = guess.session or evidence
        elif column == "comment":
            guess.told["comment"] = f"{guess.told.get('comment', '')} {value}".strip()
        before, at = column or before, at + used
    if is_file:
        guess.whole = _joined(words, gaps, names)
    if is_file and names and words[names[-1]].isdecimal() and "take" not in guess.told:
        last = names.pop()
        if number_is_take:
            guess.tell("take", str(int(words[last])), "the number at the end")
        else:
            guess.number = words[last]
    if _of_a_device([words[k] for k in names], guess.number if is_file else "", bool(said)):
        return ""
    return _joined(words, gaps, names)


def _joined(words: list[str], gaps: list[str], names: list[int]) -> str:
    return _trimmed("".join((words[k] if k in names else "") + gap for k, gap in enumerate(gaps)))


def _meaning(words: list[str], is_file: bool) -> tuple[str, str, int]:
    """(column, value, words used) of the first of up to three words.

    Column also: `name`, `session`, `again`, and nothing for a word that says nothing.
    """
    written = words[0]
    word, after, third = map(folded, [*words, "", ""][:3])
    for phrase, used in ((f"{word} {after}", 2), (word, 1)):
        for column, known in PLAYING.items():
            if phrase in known:
                return column, known[phrase], used
    glued = re.fullmatch(r"(\D+)(\d{1,4})", word)
    if glued and glued[1] in ("session", *NUMBERED_SESSION):
        return "session", written, 1
    if word in NUMBERED_SESSION and re.fullmatch(r"\d{1,3}", after):
        return "session", written, 2
    if is_file:
        ordinal = re.fullmatch(r"(\d{1,2})(?:st|nd|rd|th|e|er|eme|ter|te|a|o)?", word)
        if word in TAKE and re.fullmatch(r"\d{1,4}", after):
            return "take", str(int(after)), 2
        if glued and glued[1] in TAKE:
            return "take", str(int(glued[2])), 1
        if ordinal and after in TAKE and len(after) > 2 and not third.isdecimal():
            return "take", str(int(ordinal[1])), 2
        if word in AGAIN:
            return "again", "", 1
        if word in REMARKS:
            return "comment", written, 1
    return ("" if word in SAYS_NOTHING or not word else "name"), written, 1


def _take_days(part: str, guess: Guess) -> str:
    """Take dates, and times of day behind them, out of a name."""
    for pattern, order in _DATES:
        for match in pattern.finditer(part):
            year, month, day = (int(match[k]) for k in order)
            try:
                day_written = date(year if year > 99 else 2000 + year, month, day).isoformat()
            except ValueError:
                continue
            # 03.04.2025 may be either of two days
            guess.day = guess.day or ("" if order[0] == 4 and month != day and day <= 12 else day_written)
            part = part.replace(match[0], "\0", 1)
    part = _TIME_AFTER_DATE.sub(" ", part)
    return _TIME.sub(" ", part.replace("\0", " "))


def _of_a_device(words: list[str], number: str, typed: bool) -> bool:
    """Whether a recorder or phone made up the name: nobody typed a word of it."""
    if typed or not words:
        return not words
    bare = [re.sub(r"\d+$", "", folded(word)) for word in words]
    if all(word in DEVICE or not word for word in bare):
        return any(bare)
    *_, last = words
    counted = bool(number) and len(number) >= 3
    codes = [re.fullmatch(r"[A-Z]{1,4}(\d{3,})?|\d+", word) for word in words]
    return all(codes) and (counted or bool(re.search(r"\d{3}", last))) and not all(word.isdecimal() for word in words)


def _trimmed(name: str) -> str:
    """Return a name without empty brackets and what stands at its ends; a bracket that lost its other half goes."""
    name = re.sub(r"\([\s_.,+-]*\)|\[[\s_.,+-]*\]", " ", name)
    name = re.sub(r"\s+", " ", name).strip(" _.,;+#&-")
    balanced = name.count("(") == name.count(")") and name.count("[") == name.count("]")
    return name if balanced else name.strip(" _.,+-()[]")


def _take_leading_sessions(guesses: list[Guess]) -> None:
    """Take words such as e1 or r2 in front of all names as sessions, in place, when they cross with the rest.

    They cross when a rest comes with several of them (an instrument recorded again) and one of them with
    several rests; otherwise the word belongs to the instrument's name.
    """
    matches = [match for guess in guesses if (match := _LEADING.fullmatch(guess.rest))]
    if len(matches) < len(guesses) or any(guess.session for guess in guesses):
        return
    if _cross({(name_key(match[1]), name_key(f"{match[2]} {guess.number}"))
               for match, guess in zip(matches, guesses, strict=True)}):  # fmt: skip
        for guess, match in zip(guesses, matches, strict=True):
            guess.session, guess.rest = match[1], match[2]
            guess.whole = f"{match[2]} {guess.number}".strip()
            guess.doubt(LEADING_WORD)


def _take_running_numbers(guesses: list[Guess]) -> None:
    """Take numbers in front of names as the recordings' running numbers, in place, when none comes twice.

    Where what follows comes with several of them, they may be the instruments' own as well.
    """
    matches = {guess.file: match for guess in guesses if (match := _RUNNING.fullmatch(guess.rest))}
    numbers = Counter(int(match[1]) for match in matches.values())
    names = Counter(name_key(match[2]) for match in matches.values())
    for guess in guesses:
        if (match := matches.get(guess.file)) and names[name_key(match[2])] > 1:
            guess.doubt(RUNNING_NUMBER)
            if max(numbers.values()) == 1:
                guess.rest = match[2]
                guess.whole = f"{match[2]} {guess.number}".strip()


def _cross(pairs: set[tuple[str, str]]) -> bool:
    """Whether firsts come with several seconds and seconds with several firsts."""
    return max(len({first for first, _ in pairs}), len({second for _, second in pairs})) < len(pairs)


def _settle_numbers(guesses: list[Guess]) -> None:
    """Decide, in place, whose the number beside a name is where no other word tells."""
    bases = {name_key(guess.rest) for guess in guesses if guess.number and guess.rest}
    for guess in guesses:
        settled = "take" in guess.told
        if guess.number and guess.rest and not settled:
            generic = all(word in KINDS or word.isdecimal() for word in name_key(guess.rest).split())
            guess.doubt(SERIAL if len(guess.number) > 2 else BARE_NUMBER)
            two = re.search(r"\d$", guess.rest)  # the instrument's own stands before it
            if len(guess.number) > 2 or (not two and (generic or len(bases) == 1)):
                guess.rest = guess.whole
            else:
                guess.tell("take", str(int(guess.number) or 1), "the number at the end")
            guess.number = ""
        elif guess.number and settled:
            guess.rest, guess.number = guess.whole, ""
        elif not settled and re.search(r"\d$", guess.rest):
            guess.doubt(SERIAL if re.search(r"\d{3}$", guess.rest) else BARE_NUMBER)


def _choose_instruments(guesses: list[Guess]) -> None:
    """Decide for every guess which words name the instrument and which the session.

    Where every folder holds recordings of one name only, folders are instruments; where a folder holds
    several, it is a session of several instruments.
    """
    in_folder: dict[tuple[str, ...], set[str]] = defaultdict(set)
    for guess in guesses:
        in_folder[tuple(guess.folders)].add(name_key(guess.rest))
    several = len(in_folder) > 1
    one_each = several and all(len(names) == 1 for names in in_folder.values())
    all_alike = len(set().union(*in_folder.values())) == 1
    stems = Counter(guess.stem for guess in guesses)
    crossing = _cross({(" ".join(guess.folders), name_key(guess.rest)) for guess in guesses if guess.folders})
    for guess in guesses:
        *outer, folder = guess.folders or [""]
        same = bool(folder) and name_key(folder) in (key := name_key(guess.rest), f"{key} {guess.number}")
        if folder and (not guess.rest or same or (one_each and all_alike)):
            name, why = folder, "the folder's name"
            if guess.rest and not same and not all(word in KINDS for word in name_key(guess.rest).split()):
                guess.doubt(FOLDER_OR_FILE)
            elif guess.number and len(guess.number) < 3:
                guess.tell("take", str(int(guess.number) or 1), "the number at the end")
            elif not guess.rest:
                guess.why.setdefault("take", "the order of the names")
            if not guess.rest or same:
                guess.doubts = [doubt for doubt in guess.doubts if doubt not in (SERIAL, BARE_NUMBER)]
        elif guess.rest:
            outer, name, why = guess.folders, guess.rest, "the name"
            if folder and not guess.folder_is_session and (one_each or crossing):
                guess.doubt(FOLDER_OR_FILE)
        else:
            outer, why = guess.folders, ""
            name = guess.stem if stems[guess.stem] == 1 else guess.file.rpartition(".")[0]
            guess.doubt(UNTOLD)
        guess.told["instrument"], guess.why["instrument"] = name, why
        guess.told["session"] = guess.session or guess.place or " ".join(outer) or guess.day


def _doubt_crossings(guesses: list[Guess]) -> None:
    """Where each of two words comes with several of the other, either may be a player, a room, a reed."""
    split = {guess.file: words for guess in guesses if len(words := _words(guess.told["instrument"])) > 1}
    for end in (0, -1):
        pairs = {file: (words[end], " ".join(words[1:] if end == 0 else words[:-1]))
                 for file, words in split.items() if not words[end].isdecimal()}  # fmt: skip
        if not _cross(set(pairs.values())):
            continue
        count = [Counter(pair[side] for pair in set(pairs.values())) for side in (0, 1)]
        for guess in guesses:
            if (pair := pairs.get(guess.file)) and count[0][pair[0]] > 1 and count[1][pair[1]] > 1:
                guess.doubt(CROSSED)


def _doubt_resemblances(guesses: list[Guess], known: Sequence[str]) -> None:
    """A name like another but for a letter or for words more may be the same instrument."""
    files = Counter(guess.told["instrument"] for guess in guesses)
    files.update(dict.fromkeys(known, len(guesses)))
    words = {name: _words(name) for name in files}
    keys = {name_key(name) for name in known}
    for guess in guesses:
        name = guess.told["instrument"]
        if not guess.why["instrument"] or name_key(name) in keys:
            continue
        for other in files:
            more = words[name][len(words[other]) :]
            longer = bool(more) and words[name][: len(words[other])] == words[other] and not more[0][-1].isdecimal()
            if longer or (files[name] <= files[other] and _misspelt(words[name], words[other])):
                guess.doubt(RESEMBLES)


def _words(name: str) -> list[str]:
    """The words of a name, folded."""
    return folded(" ".join(_SPLIT.split(name)[::2])).split()


def _misspelt(name: list[str], other: list[str]) -> bool:
    """Whether two names differ in one word alone, and there as slips of the finger do."""
    differ = [pair for pair in zip(name, other, strict=False) if pair[0] != pair[1]]
    if (
        len(name) != len(other)
        or len(differ) != 1
        or re.findall(r"\d", differ[0][0]) != re.findall(r"\d", differ[0][1])
    ):
        return False
    one, two = differ[0]
    alike = sorted(one) == sorted(two) or difflib.SequenceMatcher(None, one, two).ratio() >= _ALIKE
    return min(len(one), len(two)) > 1 and alike


def _doubt_states(guesses: list[Guess], states: list[str]) -> None:
    """After needs a before."""
    seen = {(guess.told["instrument"], guess.told.get("state", states[0])) for guess in guesses}
    for guess in guesses:
        state = guess.told.get("state", states[0])
        if state != states[0] and (guess.told["instrument"], states[0]) not in seen:
            guess.doubt(NO_BEFORE)
