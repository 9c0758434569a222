"""What has changed since a run: its record (`provenance.json`) against the study and the program as they are now.

The record may come from anybody: whatever is not as `provenance` writes it counts as absent.
"""

import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from evenbore.files.digest import sha256
from evenbore.files.errors import EvenboreError
from evenbore.run.provenance import provenance
from evenbore.study.config import flat, printable
from evenbore.study.sheets import Study, load_study

ABSENT = None


def changes_since(folder: str | Path, path_to_record: str | Path) -> list[str]:
    """One line for everything that has changed; [] when a run would give the same results.

    Raises StudyError for a study that could not be run now, EvenboreError for a file that is no record of a run.
    """
    now = json.loads(json.dumps(_record_of(load_study(folder))))
    return changes_between(_read(path_to_record), now)


def changes_between(then: Mapping[str, Any], now: Mapping[str, Any]) -> list[str]:
    """One line for everything that differs between two records of runs, running times left out."""
    lines = []
    for name in ("evenbore", "python", "platform"):
        lines += _differ(name, then.get(name), now[name])
    lines += ["code: the program itself has changed"] * (then.get("code") != now["code"])
    for section, word in (("packages", ""), ("config", "setting ")):
        lines += _differ_in(flat(_mapping(then.get(section))), flat(now[section]), word)
    old, new = _mapping(then.get("sheets")), now["sheets"]
    for name in sorted(old.keys() | new.keys()):
        lines += _file_changed(name, old.get(name, ""), new.get(name, ""))
    return lines + _recordings(_mapping(then.get("recordings")), now["recordings"])


def _record_of(study: Study) -> dict[str, Any]:
    """What a run of the study would note now, running times left out; sheets by their place in the study."""
    families = sorted(study.families_dir.glob("*.yaml")) if study.families_dir else []
    of_file = {path: sha256(path) for path in {row["path"] for row in study.recordings}}  # a file may hold many takes
    digests = {row["recording"]: of_file[row["path"]] for row in study.recordings}
    record = provenance(study.config, [*study.files.values(), *families], study.recordings, digests, [])
    inside = {str(path): Path(path).relative_to(study.folder).as_posix()
              for path in record["sheets"] if Path(path).is_relative_to(study.folder)}  # fmt: skip
    return record | {"sheets": {inside.get(str(path), str(path)): digest for path, digest in record["sheets"].items()}}


def _read(path: str | Path) -> dict[str, Any]:
    if not Path(path).is_file():  # a device or pipe could keep us for ever
        raise EvenboreError(f"{path}: there is no such file.")
    try:
        record = json.loads(Path(path).read_text(encoding="utf-8"))
    except (ValueError, RecursionError) as error:
        raise EvenboreError(f"{path} is no record of a run: {error}.") from error
    if not (isinstance(record, dict) and isinstance(record.get("recordings"), dict)):
        raise EvenboreError(f"{path} is no record of a run; give the results/provenance.json that a run has written.")
    return record


def _mapping(value: object) -> dict[str, Any]:
    return value if isinstance(value, dict) else {}


def _differ_in(then: dict[str, Any], now: dict[str, Any], word: str) -> list[str]:
    names = [*now, *(name for name in then if name not in now)]
    return [line for name in names for line in _differ(f"{word}{name}", then.get(name), now.get(name))]


def _differ(name: str, then: object, now: object) -> list[str]:
    if then == now:
        return []
    return [f"{printable(name)}: {_shown(then)} then, {_shown(now)} now"]


def _shown(value: object) -> str:
    return "none" if value is ABSENT else printable(value if isinstance(value, str) else json.dumps(value))


def _file_changed(name: str, then: object, now: object) -> list[str]:
    """`then` and `now`: SHA-256, None for a file that could not be read, "" for one that was not among the inputs."""
    if then == now:
        return []
    words: dict[object, str] = {"": "not there", None: "not readable"}
    if then and now:
        return [f"{printable(name)}: its content has changed"]
    return [f"{printable(name)}: {words.get(then, 'there')} then, {words.get(now, 'there')} now"]


def _recordings(then: dict[str, Any], now: dict[str, Any]) -> list[str]:
    lines = []
    for key in [*now, *(key for key in then if key not in now)]:
        name = f"recording {key}"
        if key not in then or key not in now:
            lines.append(f"{printable(name)}: {'new' if key in now else 'no longer in the sheet'}")
            continue
        old, new = _mapping(then[key]), now[key]
        lines += _file_changed(f"{name} ({new['file']})", old.get("sha256"), new["sha256"])
        if old.get("sha256") == new["sha256"]:
            lines += _differ(f"{name}, same sound, file", old.get("file"), new["file"])
        for key in ("start_s", "end_s"):
            lines += _differ(f"{name}, {key}", old.get(key), new.get(key))
    return lines
