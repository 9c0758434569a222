"""What each step made out of what, by content: so that clocks and time stamps decide nothing.

A step that has ended well leaves a record, `results/work/made/STEP.json`: its parameters and the SHA-256 of each of its
inputs and outputs, code and recordings among them. Where one of them is not as it was, or no record is left, its
outputs are stale.
"""

import json
from collections.abc import Callable, Iterable, Mapping
from pathlib import Path
from typing import Any, NamedTuple

from evenbore.files.atomic import write_atomically
from evenbore.files.digest import sha256

RECORDS = Path("results/work/made")
LOGS = Path("results/logs")


class Job(NamedTuple):
    """One job as the workflow has it: its `log`, the `outputs` it is to write, its parameters by name."""

    log: str
    outputs: list[str]
    params: Mapping[str, Any]


def digests(paths: Iterable[str]) -> dict[str, str | None]:
    """SHA-256 of files."""
    return {path: sha256(path) for path in paths}


def note_made(step: Job, inputs: Mapping[str, str | None]) -> None:
    """Leave the record of a step; paths as the workflow names them, relative to the current folder.

    `inputs`: their digests as they were when it began.
    """
    record = {"params": dict(step.params), "inputs": inputs, "outputs": digests(step.outputs)}
    text = json.dumps(record, indent=0)
    write_atomically(_record(step.log), lambda temporary: temporary.write_text(text, encoding="utf-8"))


def made_by(step: Job, inputs: Mapping[str, str | None]) -> dict[str, Any]:
    """The parameters by which its outputs, as they are now, were made of the same inputs; none where nobody knows."""
    record = _read(step.log)
    same = record["inputs"] == inputs and record["outputs"] == digests(step.outputs)
    return dict(record["params"]) if same else {}


def forget_made(log: str) -> None:
    """Take a step's record away."""
    _record(log).unlink(missing_ok=True)


def stale(steps: Iterable[Job], digest: Callable[[str], str | None]) -> tuple[set[str], list[str]]:
    """The outputs that are there and must be made anew, and what there is to tell of files that somebody has changed.

    `digest`: SHA-256 of a file, None where it cannot be read.
    """
    records = [(step, _read(step.log)) for step in steps if any(Path(path).exists() for path in step.outputs)]
    used = {path for _, record in records for path in record["inputs"]}
    outputs, told = set(), []
    for step, record in records:
        noted = record["outputs"]
        there = [path for path in step.outputs if path in noted and Path(path).exists()]
        changed = [path for path in there if digest(path) != noted[path]]
        for path in changed:
            told.append(
                f"{path} is not as it was written (edited, or the run was cut off): it is made anew."
                if path in used
                else f"{path} was changed after it was written. It stays so until you delete it or its inputs change."
            )
        same = record["params"] == json.loads(json.dumps(step.params)) and set(noted) == set(step.outputs)
        if not same or used & {*changed} or any(digest(path) != was for path, was in record["inputs"].items()):
            outputs |= {*step.outputs}
    return outputs, told


def _record(log: str) -> Path:
    return RECORDS / Path(log).relative_to(LOGS).with_suffix(".json")


def _read(log: str) -> dict[str, Any]:
    """The record of a step; an empty one, which fits nothing, where there is none that is sound."""
    try:
        record = json.loads(_record(log).read_text(encoding="utf-8"))
        if all(isinstance(record[key], dict) for key in ("inputs", "outputs", "params")):
            return dict(record)
    except (OSError, ValueError, KeyError, TypeError, RecursionError):
        pass
    return {"params": {}, "inputs": {}, "outputs": {}}
