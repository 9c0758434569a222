"""A study that has things done to it while it runs, and what must hold of it afterwards."""

import contextlib
import os
import shutil
import subprocess
import sys
import time
import uuid
from collections.abc import Iterable
from pathlib import Path

import psutil

from smallstudy import Engine, SmallStudy

TRACEBACK = "Traceback (most recent call last)"
HUNG = "[had to be ended]"
PATIENCE_S = 900.0
POLL_S = 0.02
MARK = "EVENBORE_TEST_RUN"
ALL_TABLES = ("collect", "normalise", "assess", "diagnose", "compare", "factors", "vet")
"""The rules that write the tables of results; the table of columns comes with the report."""
# Enough for every step to have something to do: two sessions, three instruments, bad recordings.
RECORDINGS = ("s1_clar_a_1", "s1_clar_b_1", "s2_clar_a_1", "s2_clar_c_1", "empty", "nan", "missing", "odd_name")


class Run:
    """`evenbore run` on a study, with everything that it starts.

    `targets`: rules to go as far as, all when there are none; `flags`: Snakemake's options instead of `cores`.
    """

    def __init__(
        self, engine: Engine, study: Path, cores: int = 2, before: list[str] = (), targets: Iterable[str] = (),
        flags: list[str] = (), **options,
    ):  # fmt: skip
        environment = options.pop("environment", {})
        self._mark = uuid.uuid4().hex
        scripts = str(engine.folder / "scripts")
        self._process = subprocess.Popen(
            [
                *before,
                sys.executable,
                "-m",
                "evenbore.run.cli",
                "run",
                study,
                "--",
                *targets,
                *(flags or ["--cores", str(cores)]),
            ],
            env=os.environ | {"PYTHONPATH": scripts, MARK: self._mark} | environment,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
            encoding="utf-8",
            errors="replace",
            **options,
        )

    def tree(self) -> list[psutil.Process]:
        """All processes of this run that are alive, whoever is their parent by now."""
        found = []
        for process in psutil.process_iter():
            try:
                if process.environ().get(MARK) == self._mark and process.status() != psutil.STATUS_ZOMBIE:
                    found.append(process)
            except psutil.Error:
                continue
        return found

    def wait_until_busy(self, cpu_s: float) -> bool:
        """Wait until the run has used this much CPU time, however slow the machine; False when it ended before."""
        until = time.monotonic() + PATIENCE_S
        while self._process.poll() is None and time.monotonic() < until:
            if _cpu_s(self._process.pid) >= cpu_s:
                return True
            time.sleep(POLL_S)
        return False

    def wait_for(self, path: Path) -> None:
        """Wait until a file is there, or the run ends."""
        until = time.monotonic() + PATIENCE_S
        while not path.exists() and self._process.poll() is None and time.monotonic() < until:
            time.sleep(POLL_S)

    def wait_for_step(self) -> None:
        """Wait until a step is at work, or the run ends."""
        until = time.monotonic() + PATIENCE_S
        while self._process.poll() is None and time.monotonic() < until:
            with contextlib.suppress(psutil.Error):  # ended meanwhile
                if any(_is_step(process) for process in self.tree()):
                    return
            time.sleep(POLL_S)

    def send(self, number: int) -> None:
        """Send a signal to the process that the person started."""
        self._process.send_signal(number)

    def kill(self) -> None:
        """End everything at once, as if the power failed."""
        while tree := self.tree():
            for process in tree:
                try:
                    process.kill()
                except psutil.Error:
                    continue
        self.end()

    def end(self) -> tuple[int, str]:
        """Wait for the end; the exit code and all that was told. What does not end is ended, and says HUNG."""
        try:
            out, err = self._process.communicate(timeout=PATIENCE_S)
        except subprocess.TimeoutExpired:
            for process in self.tree():
                process.kill()
            out, err = self._process.communicate()
            err += HUNG
        return self._process.returncode, out + err


def _is_step(process: psutil.Process) -> bool:
    """Whether it is a step: a script of Snakemake's, or a copy of the process that has loaded the libraries."""
    command, parent = process.cmdline(), process.parent()
    copy = "evenbore.run.warm" in command and parent is not None and parent.cmdline() == command
    return copy or any(".snakemake/scripts" in part for part in command)


def _cpu_s(pid: int) -> float:
    """CPU time of a process and all below it, those included that have ended."""
    total = 0.0
    try:
        parent = psutil.Process(pid)
        for process in [parent, *parent.children(recursive=True)]:
            total += sum(process.cpu_times()[:4])  # user, system, and the same of children that ended
    except psutil.Error:
        pass
    return total


def made_smaller(study: SmallStudy) -> Path:
    """The small study with a few of its recordings."""
    SmallStudy(study.folder, [row for row in study.rows if row["recording"] in RECORDINGS]).write_recordings()
    return study.folder


def copy_of(study: Path, folder: Path) -> Path:
    """The study without what a run has written."""
    return Path(shutil.copytree(study, folder, ignore=shutil.ignore_patterns("results", ".snakemake")))


def tables(study: Path) -> dict[str, bytes]:
    """Every file in the folder of tables."""
    folder = study / "results" / "tables"
    return {path.name: path.read_bytes() for path in folder.iterdir()} if folder.is_dir() else {}


def half_tables(study: Path, whole: dict[str, bytes]) -> list[str]:
    """Tables that are there and not as they ought to be; those not yet written do not count."""
    return [
        name for name, content in tables(study).items() if not name.endswith(".part") and content != whole.get(name)
    ]
