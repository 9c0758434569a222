"""Instrument families as data: one YAML file each, held to `family.schema.yaml` strictly.

Conventions: every note of a family is a WRITTEN MIDI number; `to_sounding` and `to_written` are the only
way across (sounding = written + transposition). Holes run from top (player) to bottom (bell).

A file may start from another one with `like: <shipped family>` and give only what differs, one level
deep: `origin` part by part, everything else key by key; `more_holes` then adds holes at the bottom and
`more_veiled` further veiled notes. Holes and veiled notes that the range leaves below its lowest note,
and registers above its usual top, fall away. A study's own files go by the same rules.
"""

import difflib
import re
import reprlib
from dataclasses import dataclass
from functools import cache
from itertools import pairwise
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import yaml

from evenbore.facts.arrays import Ints
from evenbore.facts.namewords import FAMILY_PHRASES
from evenbore.files.errors import EvenboreError, Problem, StudyError
from evenbore.trade.pitch import ALLOWED_NOTES, midi_to_note, note_to_midi

if TYPE_CHECKING:
    from jsonschema.protocols import Validator

_Note = TypeVar("_Note", int, Ints)

SHIPPED_DIR = Path(__file__).with_name("families")
SCHEMA_PATH = Path(__file__).with_name("family.schema.yaml")
KEY_PATTERN = re.compile(r"[A-Za-z0-9][A-Za-z0-9_-]*")
LARGEST_FILE_BYTES = 200_000
ENDS = ("lowest", "highest")


@dataclass(frozen=True)
class Register:
    """A register or the notes served by one vent, `low` to `high` written MIDI, both included.

    `overblown`: fingered like the first-register notes one overblow interval below.
    """

    name: str
    low: int
    high: int
    overblown: bool = False


@dataclass(frozen=True)
class Hole:
    """A tone hole or pad.

    `first_open_for` is the written first-register note whose first open hole it is: it must be closed for
    every lower first-register note. `near` names closed pads in the same stretch that would leak alike.
    """

    name: str
    hand: str
    joint: str
    first_open_for: int
    near: str = ""


@dataclass(frozen=True)
class Family:
    """One kind of instrument; all notes are written MIDI numbers. Not to be changed: it is shared.

    `low` to `high` is the standard range of a scale, `usual_top` the highest note professionals commonly
    play (a soft limit). `overblow` in semitones (19, 12; 0 for brass). `holes` from top (player) to bottom (bell).
    `veiled`: notes that normally differ from their neighbours, with the reason. `pull`: what is pulled to lower the
    pitch.
    """

    key: str
    name: str
    transposition: int
    low: int
    high: int
    usual_top: int
    bore: str
    overblow: int
    registers: tuple[Register, ...]
    vents: tuple[Register, ...]
    holes: tuple[Hole, ...]
    holes_coarse: bool
    veiled: dict[int, str]
    tuning_notes: tuple[int, ...]
    pull: str

    def to_sounding(self, written: _Note) -> _Note:
        """Sounding MIDI of a written note (number or array)."""
        return written + self.transposition

    def to_written(self, sounding: _Note) -> _Note:
        """Written MIDI of a sounding note (number or array)."""
        return sounding - self.transposition

    def register_of(self, written: int) -> Register | None:
        """The register of a written note; None below the lowest note.

        Notes above the usual top belong to the highest register: tops are soft.
        """
        return next((register for register in reversed(self.registers) if written >= register.low), None)

    def partner(self, written: int) -> int | None:
        """The note one register up with the same fingering (a twelfth or an octave above), if there is one."""
        lower, upper = self.register_of(written), self.register_of(written + self.overblow)
        if lower is None or upper is None or lower.overblown or not upper.overblown:
            return None
        return written + self.overblow


def family_keys(extra_dir: Path | None = None) -> list[str]:
    """Sorted keys of all families: the shipped ones and those in a study's own folder."""
    return sorted(_family_files(extra_dir))


def likely_family(text: str, keys: list[str]) -> str:
    """The family that is probably meant by other words, such as `Bb clarinet` or `alto sax`; '' when none is near.

    The one whose key, name or name in `namewords` shares the largest part of its words, spelling slips allowed.
    """
    words = _words(text[:100])
    words_of = [(key, _words(key)) for key in keys]
    words_of += [(key, _words(_shipped_family(key).name)) for key in keys if (SHIPPED_DIR / f"{key}.yaml").is_file()]
    words_of += [(family, {*phrase}) for phrase, key in FAMILY_PHRASES.items() if (family := key.rstrip("?")) in keys]

    def share(known: set[str]) -> float:
        alike = sum(bool(difflib.get_close_matches(word, known, n=1, cutoff=0.8)) for word in words)
        return alike / (len(words) + len(known) - alike)

    key, known = max(words_of, key=lambda of: share(of[1]))
    return key if share(known) > 0 else ""


def _words(text: str) -> set[str]:
    """Lower-case words of a family's name, `Bb` and `B♭` as two; words that tell nothing are left out."""
    text = re.sub(r"\b([abe])(?:b|♭|-?flat)(?![a-z])", r"\1 flat ", text.casefold().replace("_", " "))
    return {*re.split(r"[\W\d]+", text)} - {"", "in"}


def load_family(key: str, extra_dir: Path | None = None) -> Family:
    """The family of that key; a file of the study's own goes before a shipped one of the same name.

    Raises EvenboreError for an unknown key, StudyError with all problems of a study's own file that is not right.
    """
    files = _family_files(extra_dir)
    if key not in files:
        raise EvenboreError(f"{_shown(key)} is not a family; allowed: {', '.join(sorted(files))}.")
    if files[key].parent == SHIPPED_DIR:
        return _shipped_family(key)
    return _build(key, read_family_file(files[key]))


def read_family_file(path: Path) -> dict[str, Any]:
    """The strictly checked content of a family file, `like` resolved; raises StudyError with all problems."""
    data = _with_base(path, _read(path))
    problems = _schema_problems(path, data) or _order_problems(path, data)
    if problems:
        raise StudyError(problems)
    return data


@cache
def _shipped_family(key: str) -> Family:
    # The tests put every shipped file through the strict check. Doing so in each measuring process as well would cost
    # more than all of the rest of loading.
    path = SHIPPED_DIR / f"{key}.yaml"
    return _build(key, _with_base(path, _read(path)))


def _family_files(extra_dir: Path | None) -> dict[str, Path]:
    folders = [SHIPPED_DIR] if extra_dir is None else [SHIPPED_DIR, Path(extra_dir)]
    return {path.stem: path for folder in folders for path in folder.glob("*.yaml") if KEY_PATTERN.fullmatch(path.stem)}


def _shown(value: object) -> str:
    return value[:60] if isinstance(value, str) else reprlib.repr(value)


def _problem(path: Path, place: str | None, value: object, allowed: str, cause: str = "") -> Problem:
    shown = None if value is None else _shown(value)
    return Problem(file=str(path), row=None, column=place, value=shown, allowed=allowed, cause=cause)


def _read(path: Path) -> dict[str, Any]:
    allowed = "a YAML file of plain keys and values, UTF-8, without & and * references"
    try:
        if path.stat().st_size > LARGEST_FILE_BYTES:
            raise StudyError([_problem(path, None, None, f"at most {LARGEST_FILE_BYTES} bytes", "not a family file")])
        text = path.read_text(encoding="utf-8-sig")
        # Expanded references can make a small file endless.
        if "*" in text and any(isinstance(token, yaml.AliasToken) for token in yaml.scan(text)):
            raise StudyError([_problem(path, None, None, allowed, "a * reference")])
        data = yaml.load(text, yaml.CSafeLoader)
    except (OSError, ValueError, RecursionError, yaml.YAMLError) as error:
        cause = " ".join(str(error).split())[:300]
        raise StudyError([_problem(path, None, None, allowed, cause)]) from error
    if not isinstance(data, dict):
        raise StudyError([_problem(path, None, data, allowed, "the file is empty or holds no keys")])
    return data


def _with_base(path: Path, data: dict[str, Any]) -> dict[str, Any]:
    """`data` laid over the family its `like` names, if any."""
    if "like" not in data:
        return data
    shipped = _family_files(None)
    like = data["like"]
    if not isinstance(like, str) or like not in shipped:
        raise StudyError([_problem(path, "like", like, ", ".join(sorted(shipped)))])
    base = _read(shipped[like])
    if "like" in base:
        cause = f"{like} is itself like {base['like']}: start from that one"
        raise StudyError([_problem(path, "like", like, "a shipped family that has no `like` of its own", cause)])
    merged = base | {name: value for name, value in data.items() if name != "like"}
    if isinstance(data.get("origin"), dict):
        merged["origin"] = base["origin"] | data["origin"]
    return merged


@cache
def _validator() -> "Validator":
    import jsonschema  # here, because it costs a tenth of a second and only a study's own files need it

    formats = jsonschema.FormatChecker(formats=())
    formats.checks("note", raises=EvenboreError)(lambda value: not isinstance(value, str) or note_to_midi(value) >= 0)
    formats.checks("note or end", raises=EvenboreError)(
        lambda value: value in ENDS or not isinstance(value, str) or note_to_midi(value) >= 0
    )
    schema = yaml.load(SCHEMA_PATH.read_text(encoding="utf-8"), yaml.CSafeLoader)
    return jsonschema.Draft202012Validator(schema, format_checker=formats)


def _schema_problems(path: Path, data: dict[str, Any]) -> list[Problem]:
    problems = [problem for error in _validator().iter_errors(data) for problem in _explained(path, error)]
    return list(dict.fromkeys(problems))  # missing keys come once for each of them


def _explained(path: Path, error: Any) -> list[Problem]:
    """A schema error as problems: which key, what was found, what may stand there."""
    place = ".".join(str(part) for part in error.absolute_path)
    meaning = error.schema.get("description", "")
    dot = "." if place else ""
    if error.validator == "additionalProperties":
        known = error.schema["properties"]
        return [
            _problem(path, f"{place}{dot}{_shown(name)}", None, ", ".join(known), "an unknown key, perhaps misspelt")
            for name in error.instance
            if name not in known
        ]
    if error.validator == "required":
        missing = [name for name in error.validator_value if name not in error.instance]
        about = error.schema["properties"]
        return [
            _problem(path, f"{place}{dot}{name}", None, about[name].get("description", "a value"), "the key is missing")
            for name in missing
        ]
    if error.validator == "format":
        allowed = ALLOWED_NOTES + (", or lowest or highest" if error.validator_value == "note or end" else "")
    elif error.validator == "enum":
        allowed = ", ".join(str(value) for value in error.validator_value)
    elif error.validator == "pattern" and "source" in error.validator_value:
        allowed = "source, practice, from memory or none, then perhaps a colon and a few words"
    else:
        allowed = f"{error.validator} {error.validator_value}" + (f": {meaning}" if meaning else "")
    return [_problem(path, place or None, error.instance, allowed)]


def _range(data: dict[str, Any]) -> dict[str, int]:
    return {name: note_to_midi(note) for name, note in data["range"].items()}


def _end(note: str, ends: dict[str, int]) -> int:
    if note == "lowest":
        return ends["low"]
    return ends["usual_top"] if note == "highest" else note_to_midi(note)


def _order_problems(path: Path, data: dict[str, Any]) -> list[Problem]:
    """What a schema cannot say: the notes follow each other as they must."""
    ends = _range(data)
    if not ends["low"] < ends["high"] <= ends["usual_top"]:
        shown = ", ".join(f"{name} {note}" for name, note in data["range"].items())
        return [_problem(path, "range", shown, "low below high, high no higher than usual_top")]
    low = midi_to_note(ends["low"])
    problems = []
    starts = [_end(register["from"], ends) for register in data["registers"]]
    if starts[0] != ends["low"]:
        problems.append(_problem(path, "registers.0.from", data["registers"][0]["from"], f"lowest or {low}"))
    for first, second in pairwise(starts):
        if first >= second:
            problems.append(_problem(path, "registers", _then(first, second), "notes that rise"))
    for vent in data.get("vents", []):
        first, last = note_to_midi(vent["from"]), _end(vent["to"], ends)
        if first > last:
            problems.append(_problem(path, "vents", _then(first, last), "a first note no higher than the last"))
    more = [note_to_midi(hole["opens_for"]) for hole in data.get("more_holes", [])]
    for first, second in pairwise([note_to_midi(hole["opens_for"]) for hole in data.get("holes", [])] + more):
        if first <= second:
            problems.append(_problem(path, "holes", _then(first, second), "notes that fall, from top to bottom"))
    for note in more:
        if note <= ends["low"]:
            allowed = f"notes above {low}: the lowest note needs all holes shut"
            problems.append(_problem(path, "more_holes", midi_to_note(note), allowed))
    return problems


def _then(first: int, second: int) -> str:
    return f"{midi_to_note(first)} then {midi_to_note(second)}"


def _build(key: str, data: dict[str, Any]) -> Family:
    ends = _range(data)
    low, usual_top = ends["low"], ends["usual_top"]

    starts = [_end(register["from"], ends) for register in data["registers"]]
    lasts = [min(start - 1, usual_top) for start in starts[1:]] + [usual_top]
    holes = data.get("holes", []) + data.get("more_holes", [])
    veiled = {note_to_midi(note): why for note, why in (data["veiled"] | data.get("more_veiled", {})).items()}
    return Family(
        key=key,
        name=data["name"],
        transposition=int(data["transposition"]),
        low=low,
        high=ends["high"],
        usual_top=usual_top,
        bore=data["bore"],
        overblow=int(data["overblow"]),
        registers=tuple(
            Register(register["name"], first, last, register.get("overblown", False))
            for register, first, last in zip(data["registers"], starts, lasts, strict=True)
            if first <= usual_top
        ),
        vents=tuple(
            Register(vent["name"], note_to_midi(vent["from"]), _end(vent["to"], ends)) for vent in data.get("vents", [])
        ),
        holes=tuple(
            Hole(hole["name"], hole["hand"], hole["joint"], note_to_midi(hole["opens_for"]), hole.get("near", ""))
            for hole in holes
            if note_to_midi(hole["opens_for"]) > low
        ),
        holes_coarse=data.get("holes_coarse", False),
        veiled={note: why for note, why in sorted(veiled.items()) if note >= low},
        tuning_notes=tuple(note_to_midi(note) for note in data["tuning_notes"]),
        pull=data["pull"],
    )
