"""The one family of errors: each message is complete, in plain words, for the person at the keyboard."""

import re
from dataclasses import dataclass

# How Python, pyarrow, OpenBLAS, C++, the loader of libraries and the system say that there is no memory left.
NO_MEMORY = re.compile(
    r"MemoryError|[Cc]annot allocate memory|can't start new thread|Failed to launch worker thread|"
    r"Memory allocation still failed|bad_alloc|failed to map segment|SIGKILL"
)
OUT_OF_MEMORY = "Not enough memory: close other programs, or let fewer jobs run at once."


class EvenboreError(Exception):
    """Base of all errors that a user can act on."""


class AudioError(EvenboreError):
    """Why a recording cannot be used; the text becomes the `reason` of a recording set aside."""


def lacks_memory(error: Exception) -> bool:
    """Whether this says, in whatever words, that there is no memory left."""
    return isinstance(error, MemoryError) or bool(NO_MEMORY.search(str(error)))


def in_words(error: OSError | MemoryError) -> str:
    """What the system refused, for a person."""
    if isinstance(error, MemoryError):
        return OUT_OF_MEMORY
    place = f"{error.filename}: " if error.filename else ""
    return f"{place}{error.strerror or error}."


@dataclass(frozen=True)
class Problem:
    """One thing wrong with a study's inputs.

    `row` is the line of the sheet as a spreadsheet shows it (the header is row 1); `value` is what was
    found, `allowed` what may stand there, `cause` the likely reason.
    """

    file: str
    row: int | None
    column: str | None
    value: str | None
    allowed: str
    cause: str = ""

    def __str__(self) -> str:
        place = self.file
        if self.row is not None:
            place += f", row {self.row}"
        if self.column is not None:
            place += f", column '{self.column}'"
        value = "" if self.value is None else f" found {self.value!r};"
        cause = f" Likely cause: {self.cause}." if self.cause else ""
        return f"{place}:{value} allowed: {self.allowed}.{cause}"


class StudyError(EvenboreError):
    """All problems of a study's config and sheets, reported at once."""

    def __init__(self, problems: list[Problem]):
        self.problems = list(problems)
        super().__init__("\n".join(told_once(self.problems)))


def told_once(problems: list[Problem]) -> list[str]:
    """The problems as text; one that several rows have is told once, with the rows."""
    alike: dict[tuple[object, ...], list[Problem]] = {}
    for problem in problems:
        key = (problem.file, problem.column, problem.allowed, problem.cause)
        alike.setdefault(key if problem.row is not None and problem.column else (id(problem),), []).append(problem)
    return [_of_rows(same) for same in alike.values()]


def _of_rows(same: list[Problem]) -> str:
    """One problem of one row or several."""
    first, text = same[0], str(same[0])
    rows = sorted({problem.row for problem in same if problem.row is not None})
    if len(rows) < 2:
        return text
    runs: list[list[int]] = []
    for row in rows:
        if runs and row == runs[-1][-1] + 1:
            runs[-1].append(row)
        else:
            runs.append([row])
    listed = ", ".join(f"{run[0]}" if len(run) == 1 else f"{run[0]}-{run[-1]}" for run in runs)
    text = text.replace(f", row {first.row},", f", rows {listed},", 1)
    others = len({problem.value for problem in same}) - 1
    return text.replace(f" found {first.value!r};", f" found {first.value!r} and {others} more;", 1) if others else text
