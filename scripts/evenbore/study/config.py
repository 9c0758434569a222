"""The config: YAML read strictly, every problem found at once and in plain words.

Strict means: no aliases, no duplicate keys, no unknown keys (but `x_…`), no missing keys. What is allowed
stands in `workflow/schemas/config.schema.yaml` and, of criteria, in their registry; the repo's own
`config/config.yaml` supplies the line to add for a missing key. A config from before a criterion existed knows no
just-noticeable difference of it, one from before own days were assumed nothing of these: the registry's defaults serve,
and `added` tells them.
"""

import difflib
import math
import os
import re
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any, ClassVar, TypeAlias

import yaml

from evenbore.facts.criteria import CRITERIA, LARGEST, MEASURED, Criterion
from evenbore.facts.days import DAY_KINDS, DAY_UNIT, LARGEST_DAYS
from evenbore.files.errors import Problem
from evenbore.files.paths import command, harmless, repo_root
from evenbore.trade.pitch import is_note

if TYPE_CHECKING:
    from jsonschema.protocols import Validator

# Columns of the recordings sheet whose blank cells the config may fill.
SAID_ONCE = ("low", "high", "pattern", "articulation", "direction", "player", "mouthpiece", "reed")
_Where: TypeAlias = tuple[str | int, ...]  # the keys down to a place in the config
LARGEST_BYTES = 200_000_000  # of a sheet, unpacked
SHOWN_LENGTH = 80  # characters of a wrong value that a message repeats
# Control characters but tab and line breaks, and what no XML, so no SVG, may hold (XML 1.0, section 2.2).
NOT_TEXT = re.compile("[\0-\x08\x0b\x0c\x0e-\x1f\x7f\ufffe\uffff]")
TEXT = "text without control characters"


@cache
def load_schema(name: str) -> dict[str, Any]:
    """Return one schema of `workflow/schemas` (`config`, `recordings`, `instruments`, …)."""
    path = repo_root() / "workflow" / "schemas" / f"{name}.schema.yaml"
    schema: dict[str, Any] = yaml.load(path.read_text(encoding="utf-8"), yaml.CSafeLoader)
    if name == "config":
        keys = schema["properties"]
        keys["just_noticeable"]["properties"] = {c.name: _just_noticeable(c) for c in MEASURED}
        keys["own_days"]["properties"] = {kind: _DAYS for kind in DAY_KINDS}
        keys["recording_defaults"] = _said_once() | {
            "properties": _said_once()["properties"] | {"families": {
                "type": "object", "additionalProperties": _said_once(),
                "description": "Family key -> what holds for its recordings instead.",
            }}
        }  # fmt: skip
        keys["priorities"]["additionalProperties"]["properties"] = {c.name: _weight(c) for c in CRITERIA.values()}
    return schema


def _said_once() -> dict[str, Any]:
    """The schema of what may be said once of recordings: columns of their sheet."""
    columns = load_schema("recordings")["properties"]
    return {
        "type": "object",
        "additionalProperties": False,
        "description": "Column of the recordings sheet -> what a blank cell means.",
        "properties": {column: columns[column] for column in SAID_ONCE},
    }


def _weight(criterion: Criterion) -> dict[str, object]:
    """The schema of a criterion's weight: of a matter of taste below 0 too."""
    taste = criterion.better == "taste"
    about = f"-1000000 to 1000000; above 0: the {criterion.good} the better, below 0: the {criterion.bad}"
    return {
        "type": "number",
        "minimum": -1_000_000 if taste else 0,
        "maximum": 1_000_000,
        "description": f"Weight of this criterion, without unit; {about if taste else '0 to 1000000'}.",
    }


_DAYS = {
    "type": "number",
    "exclusiveMinimum": 0,
    "maximum": LARGEST_DAYS,
    "description": f"In {DAY_UNIT}; above 0 to {LARGEST_DAYS}.",
}


def _just_noticeable(criterion: Criterion) -> dict[str, object]:
    """The schema of a criterion's just-noticeable difference."""
    largest = LARGEST[criterion.unit]
    about = f"{criterion.glossary.rstrip('.')}, in {criterion.unit}; above 0 to {largest}, or null."
    return {"type": ["number", "null"], "exclusiveMinimum": 0, "maximum": largest, "description": about}


@cache
def default_config() -> dict[str, Any]:
    """Return the repo's own config; treat it as read-only."""
    config: dict[str, Any] = yaml.load(
        (repo_root() / "config" / "config.yaml").read_text(encoding="utf-8"), yaml.CSafeLoader
    )
    return config


def shown(value: object) -> str:
    """Return a wrong value as a message repeats it, shortened."""
    text = value if isinstance(value, str) else str(value)
    return text if len(text) <= SHOWN_LENGTH else text[: SHOWN_LENGTH - 1] + "…"


def printable(text: str) -> str:
    """Return a name for a message, shortened, characters that would upset a terminal replaced."""
    return harmless(shown(text))


def flat(value: dict[str, Any], above: str = "") -> dict[str, Any]:
    """A tree of settings as one level, the names joined by dots."""
    level: dict[str, Any] = {}
    for key, inner in value.items():
        level |= flat(inner, f"{above}{key}.") if isinstance(inner, dict) and inner else {f"{above}{key}": inner}
    return level


def misspelling(word: str, known: list[str]) -> str:
    """Return the likely cause of an unknown word: the known one it resembles, or ''."""
    by_fold = {name.casefold(): name for name in known}
    folded = word.strip().casefold().replace(" ", "_")
    close = difflib.get_close_matches(folded[:200], list(by_fold), n=1, cutoff=0.6)
    return f"a misspelling of '{by_fold[close[0]]}'" if close else ""


class _PlainLoader(yaml.SafeLoader):
    """Safe YAML without aliases, which can hide loops and blow up in size, and without half characters.

    Of the kinds of values only those that JSON has, for the config goes into the record of a run: a date is text.
    """

    yaml_constructors: ClassVar[dict[Any, Any]] = {
        tag: construct
        for tag, construct in yaml.SafeLoader.yaml_constructors.items()
        if tag is None or tag.rpartition(":")[2] in ("null", "bool", "int", "float", "str", "seq", "map")
    }
    yaml_implicit_resolvers = {  # noqa: RUF012  (so in the library)
        start: [(tag, pattern) for tag, pattern in resolvers if tag != "tag:yaml.org,2002:timestamp"]
        for start, resolvers in yaml.SafeLoader.yaml_implicit_resolvers.items()
    }

    def construct_scalar(self, node: yaml.ScalarNode | yaml.MappingNode) -> str:
        value: str = super().construct_scalar(node)
        if any("\ud800" <= char <= "\udfff" for char in value):
            raise yaml.constructor.ConstructorError(None, None, "half a character (a lone surrogate)", node.start_mark)
        return value

    def compose_node(self, parent: yaml.Node | None, index: int) -> yaml.Node | None:
        if self.check_event(yaml.AliasEvent):
            mark = self.peek_event().start_mark  # type: ignore[no-untyped-call]  # its stubs leave it open
            raise yaml.composer.ComposerError(None, None, "aliases (*name) are not allowed", mark)
        return super().compose_node(parent, index)


def read_bytes(path: Path) -> tuple[bytes | None, str]:
    """Return a text file's bytes, or None and why it cannot be read ('' when it is not there)."""
    if not os.path.exists(path):
        return None, ""
    if not os.path.isfile(path):
        return None, "a folder or a device stands there, not a file"
    try:
        if os.path.getsize(path) > LARGEST_BYTES:
            return None, f"it is larger than {LARGEST_BYTES // 10**6} MB"
        data = path.read_bytes()
    except OSError as error:
        return None, error.strerror or str(error)
    if data.startswith((b"\xff\xfe", b"\xfe\xff")):
        return None, "saved as UTF-16 ('Unicode text'): save as UTF-8"
    return data, ""


def load_config(path: Path, name: str) -> tuple[dict[str, Any], list[Problem], list[str]]:
    """Read a config; return its sound top-level keys, every problem (`name` is the file as shown), and what was added:
    the settings that are the registry's defaults, for the config does not give them, as `just_noticeable.noise: null
    (dB)`."""
    node, data, problems = _parse(path, name)
    if problems:
        return {}, problems, []
    placed = _Placed(name)
    _walk_nodes(node, (), placed)
    _check_schema(data, placed)
    _check_keys_together(data, placed)
    sound = {key: value for key, value in data.items() if key not in placed.spoilt()}
    added = []
    if (given := sound.get("just_noticeable")) is not None:
        sound["just_noticeable"] = {c.name: c.just_noticeable for c in MEASURED} | given
        lacking = [criterion for criterion in MEASURED if criterion.name not in given]
        added += [f"just_noticeable.{c.name}: {plain_number(c.just_noticeable)} ({c.unit})" for c in lacking]
    sound.setdefault("recording_defaults", {})
    if "own_days" not in data:
        sound["own_days"] = DAY_KINDS
        added += [f"own_days.{kind}: {plain_number(scale)} ({DAY_UNIT})" for kind, scale in DAY_KINDS.items()]
    return sound, [problem for _, problem in placed.problems], added


def plain_number(value: float | None) -> str:
    """A number as the config writes it.

    >>> plain_number(3.0), plain_number(0.5), plain_number(None)
    ('3', '0.5', 'null')
    """
    return "null" if value is None else f"{value:g}"


def _parse(path: Path, name: str) -> tuple[yaml.Node | None, dict[str, Any], list[Problem]]:
    """Return the node tree, the data and what keeps the file from being read."""
    mapping = "settings as `key: value` lines (YAML)"
    data, cause = read_bytes(path)
    if data is None:
        cause = cause or f"this is not a study folder (`{command()} new` makes one) or the file was moved"
        return None, {}, [Problem(name, None, None, None, "a readable file", cause)]
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        row = error.object[: error.start].count(b"\n") + 1
        cause = "saved as Latin-1 or Windows-1252: save the file as UTF-8"
        return None, {}, [Problem(name, row, None, None, "text in UTF-8", cause)]
    try:
        loader = _PlainLoader(text)
        node = loader.get_single_node()
        data = loader.construct_document(node) if node is not None else None
    except yaml.YAMLError as error:
        mark = getattr(error, "problem_mark", None)
        cause = getattr(error, "problem", None) or getattr(error, "reason", None) or str(error)
        line = mark.line + 1 if mark is not None else None
        return None, {}, [Problem(name, line, None, None, mapping, f"YAML syntax: {cause}")]
    except (ValueError, OverflowError, RecursionError, TypeError, AttributeError) as error:
        cause = "nested too deeply" if isinstance(error, RecursionError) else f"not readable: {error}"
        return None, {}, [Problem(name, None, None, None, mapping, shown(cause))]
    if data is None:
        return None, {}, [Problem(name, 1, None, None, mapping, "the file is empty")]
    if not isinstance(data, dict):
        return None, {}, [Problem(name, 1, None, shown(data), mapping, "")]
    return node, data, []


class _Placed:
    """The problems of a config file, each with its place; `lines`: of the places."""

    def __init__(self, file: str):
        self.file = file
        self.lines: dict[_Where, int] = {}
        self.problems: list[tuple[_Where, Problem]] = []

    def line(self, where: _Where) -> int | None:
        """The line of a place, or of the nearest one above it."""
        return next((self.lines[where[:n]] for n in range(len(where), 0, -1) if where[:n] in self.lines), None)

    def add(self, where: _Where, value: object, allowed: str, cause: str = "", line: int | None = None) -> None:
        """Note a problem; `value`: what stands there, None where that is not to be repeated."""
        key = printable(".".join(str(part) for part in where)) or None
        found = None if value is None else shown(value)
        self.problems.append((where, Problem(self.file, line or self.line(where), key, found, allowed, cause)))

    def spoilt(self) -> set[str | int]:
        """The top-level keys that problems are below."""
        return {where[0] for where, _ in self.problems if where}


def _walk_nodes(node: yaml.Node | None, where: _Where, placed: _Placed) -> None:
    """Collect the line of every key; find keys that are there twice, numbers that are not finite and what is no
    text."""
    if isinstance(node, yaml.MappingNode):
        for key_node, value_node in node.value:
            place = (*where, str(key_node.value))
            line = key_node.start_mark.line + 1
            if place in placed.lines:
                allowed = f"each key once (the first is in line {placed.lines[place]})"
                placed.add(place, None, allowed, "the key was copied and one of the two left standing", line)
            else:
                placed.lines[place] = line
                _walk_nodes(value_node, place, placed)
    elif isinstance(node, yaml.SequenceNode):
        for index, item in enumerate(node.value):
            placed.lines[(*where, index)] = item.start_mark.line + 1
            _walk_nodes(item, (*where, index), placed)
    elif node is not None and node.tag == "tag:yaml.org,2002:float" and not math.isfinite(yaml.safe_load(node.value)):
        placed.add(where, node.value, "a finite number")
    elif isinstance(node, yaml.ScalarNode) and NOT_TEXT.search(node.value):
        placed.add(where, node.value, TEXT)


@cache
def _validator() -> "Validator":
    import jsonschema

    # JSON Schema lets 2.0 pass as an integer; a seed or a count must be a whole number as written.
    types = jsonschema.Draft202012Validator.TYPE_CHECKER.redefine(
        "integer", lambda _, value: isinstance(value, int) and not isinstance(value, bool)
    )
    strict: type[Validator] = jsonschema.validators.extend(  # type: ignore[no-untyped-call]  # so in its stubs
        jsonschema.Draft202012Validator, type_checker=types
    )
    return strict(load_schema("config"))


def _check_schema(data: dict[str, Any], placed: _Placed) -> None:
    """What the schema allows and asks for."""
    missing: set[_Where] = set()  # told by an error for each of them, all by each
    error: Any  # jsonschema.ValidationError, whose parts its stubs leave open
    for error in _validator().iter_errors(data):
        where = tuple(error.absolute_path)
        if error.validator == "additionalProperties":
            known = sorted(error.schema.get("properties", {}))
            for key in (key for key in error.instance if key not in known and str(key)[:2] != "x_"):
                allowed = f"one of {', '.join(known)}, or a key that begins with x_"
                cause = misspelling(str(key), known) or "a key of another version, or a line indented wrongly"
                placed.add((*where, str(key)), None, allowed, cause)
        elif error.validator == "required":
            for place in ((*where, key) for key in error.validator_value if key not in error.instance):
                if place not in missing:
                    missing.add(place)
                    allowed = f"this key; add {_line_to_add(place)}"
                    placed.add(place, None, allowed, "the key is missing", placed.line(where))
        else:
            allowed = str(error.schema.get("description") or _description_above(where)).rstrip(".")
            placed.add(where, "null" if error.instance is None else error.instance, allowed, _cause(error))


def _line_to_add(where: _Where) -> str:
    """Where the line of a missing key is to stand, and the line."""
    value: Any = default_config()
    for part in where:
        value = value[part]
    flow = yaml.safe_dump(value, default_flow_style=True, sort_keys=False, width=10**6, allow_unicode=True)
    line = f"{where[-1]}: {flow.removesuffix('...' + chr(10)).strip()}"
    under = f"below '{'.'.join(map(str, where[:-1]))}:', indented, " if len(where) > 1 else ""
    return f"{under}the line `{line}`"


def _description_above(where: _Where) -> str:
    schema: Any = load_schema("config")
    text = "what the schema says"
    for part in where:
        schema = schema.get("properties", {}).get(part, {}) if isinstance(schema, dict) else {}
        text = schema.get("description", text)
    return text


def _cause(error: Any) -> str:
    if error.validator == "enum" and isinstance(error.instance, str):
        return misspelling(error.instance, [str(word) for word in error.validator_value])
    if error.validator == "type" and isinstance(error.instance, bool):
        return "YAML reads yes, no, on and off as true and false: quote the word"
    if error.validator == "type" and error.instance is None:
        return "nothing stands after the colon, or the lines below are not indented"
    if error.validator == "type" and isinstance(error.instance, str):
        return "a number in quotes, with a decimal comma or with its unit"
    if error.validator == "pattern":
        return "names hold letters, digits, _ and - only"
    return ""


def _check_keys_together(data: dict[str, Any], placed: _Placed) -> None:
    """What one key asks of another."""
    spoilt = placed.spoilt()
    if "states" not in spoilt:
        states = data["states"]
        seen: dict[str, str] = {}
        for index, state in enumerate(states):
            if state == "latest":
                cause = "`latest` has a meaning of its own in compare_state"
                placed.add(("states", index), state, "any other name", cause)
            if seen.setdefault(state.casefold(), state) != state:
                placed.add(("states", index), state, "names that differ by more than upper and lower case")
        if "compare_state" not in spoilt and data["compare_state"] not in ("latest", *states):
            state, known = data["compare_state"], ["latest", *states]
            placed.add(("compare_state",), state, ", ".join(known), misspelling(state, known))
    said = {} if "recording_defaults" in spoilt else data.get("recording_defaults", {})
    for where, of in [((), said), *((("families", key), of) for key, of in said.get("families", {}).items())]:
        for column in {"low", "high"} & of.keys():
            if not is_note(of[column]):
                allowed = "a written note: letter, # or b, octave, such as Bb4 or F#3"
                placed.add(("recording_defaults", *where, column), of[column], allowed)
    if "priorities" not in spoilt:
        for key, weights in data["priorities"].items():
            if not key.startswith("x_") and not any(weights.values()):
                placed.add(("priorities", key), weights, "at least one weight other than 0")
