"""The content of files decides what a run makes again: what Snakemake is told at its start.

Snakemake by itself goes by time stamps, and by records of its own in `.snakemake`. Both may be lost or lie: a recording
swapped with another, a recorder's clock that is ahead, code unpacked with older dates.
"""

import re
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import ThreadPoolExecutor
from functools import cache
from pathlib import Path
from types import SimpleNamespace
from typing import Any

from evenbore.files.digest import sha256
from evenbore.process.made import Job, stale

digest = cache(sha256)
"""SHA-256 of a file as it is when first asked for; later it is not read again."""


def read_ahead(paths: Iterable[str]) -> None:
    """Read files for `digest`, several at once."""
    with ThreadPoolExecutor() as pool:
        list(pool.map(digest, {*paths}))


def by_content(workflow: Any, chunks: Iterable[str], prepare: Callable[[], None]) -> list[str]:
    """Let content alone decide what is made again; returns what there is to tell. To be called after all rules.

    `workflow`: Snakemake's; `chunks`: values of the wildcard; `prepare`: called before Snakemake looks for jobs, which
    takes a while, if there will be some on this machine.
    """
    from snakemake.dag import DAG  # type: ignore[import-untyped]  # the library has no types
    from snakemake.io import _IOFile  # type: ignore[import-untyped]
    from snakemake.settings.types import RerunTrigger  # type: ignore[import-untyped]

    DAG.check_output_mtime = _no_date_counts  # by which a job fails that has an input with a date in the future
    _IOFile.is_newer = _no_date_counts
    if not workflow.is_main_process:
        return []
    steps = list(_steps(workflow.rules, list(chunks)))
    outputs, told = stale(steps, digest)
    jobs = bool(outputs) or not all(Path(path).exists() for step in steps for path in step.outputs)
    usual = DAG.__init__

    def with_stale(self: Any, workflow: Any, *arguments: Any, forcefiles: set[str], **options: Any) -> None:
        triggers = workflow.dag_settings.rerun_triggers
        workflow.dag_settings.rerun_triggers = frozenset(triggers) - {RerunTrigger.CODE}  # dates of scripts
        workflow.dag_settings.max_checksum_file_size = 0  # or all inputs of a job are read once more at its end
        if jobs and workflow.executor_plugin is not None and workflow.local_exec and not workflow.dryrun:
            prepare()
        # not by --forcerun, which would make targets of them
        usual(self, workflow, *arguments, forcefiles=forcefiles | outputs, **options)

    DAG.__init__ = with_stale
    return told


async def _no_date_counts(*_: object) -> bool:
    """In place of what Snakemake decides by dates."""
    return False


def _steps(rules: Iterable[Any], chunks: list[str]) -> Iterator[Job]:
    """All jobs that the rules can make."""
    for rule in rules:
        for chunk in chunks if rule.has_wildcards() else [""]:
            if rule.log:
                params = {name: _filled(value, chunk) for name, value in rule.params.items()}
                yield Job(_filled(rule.log[0], chunk), [_filled(path, chunk) for path in rule.output], params)


def _filled(value: Any, chunk: str) -> Any:
    """A path or parameter of a rule as its job has it."""
    if callable(value):
        return value(SimpleNamespace(chunk=chunk))
    return re.sub(r"\{chunk\b[^}]*\}", chunk, value) if isinstance(value, str) else value
