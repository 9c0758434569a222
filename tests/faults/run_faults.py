"""Things that happen to a run, and what must hold of it.

It says so in plain words, leaves no half table and no process, and the next run ends with the tables of an undisturbed
one, byte for byte.
"""

import contextlib
import hashlib
import os
import random
import resource
import shutil
import signal
import subprocess
from collections.abc import Iterable, Iterator
from pathlib import Path

from faults.outcome import FINE, HANG, LOSS, TRACEBACK, WRONG, Outcome, without_privileges
from faults.victim import ALL_TABLES, HUNG, Run, copy_of, half_tables, made_smaller, tables
from faults.victim import TRACEBACK as TRACEBACK_TEXT
from smallstudy import Engine, make_study

SMALL_FILE_BYTES = 60_000  # less than the largest tables of the study
ELSEWHERE = {"LC_ALL": "C", "LANG": "C", "TZ": "Pacific/Kiritimati", "PYTHONHASHSEED": "7",
             "HOME": os.devnull, "XDG_CACHE_HOME": f"{os.devnull}/cache"}  # fmt: skip
"""Another locale, time zone and hash order, and a home that not even a superuser can write to."""

LITTLE_MEMORY_MB = range(300, 1001, 50)  # of address space: from too little to begin to enough


class Faults:
    """Lets faults happen to one study, one after the other; `whole` are its tables as they ought to be.

    `targets`: the rules that its runs go as far as, all of them when there are none.
    """

    def __init__(self, engine: Engine, study: Path, whole: dict[str, bytes], seed: int, targets: Iterable[str] = ()):
        self._engine, self._study, self._whole, self._targets = engine, study, whole, targets
        self._random = random.Random(seed)
        self.outcomes: list[Outcome] = []

    def interrupted(self, number: int, cpu_s: float) -> None:
        """A signal that asks to stop, at a random moment."""
        run = self._start()
        if not run.wait_until_busy(self._random.uniform(1, cpu_s)):
            run.end()
            return self._note("Ctrl-C", signal.Signals(number).name, "had ended before")
        run.send(number)
        code, told = run.end()
        problem = "" if code == 130 and "What is finished is kept" in told else f"exit code {code}: {told}"
        if orphans := run.tree():
            problem = f"left running: {orphans}"
            run.kill()
        return self._note("Ctrl-C", signal.Signals(number).name, "stopped", told, problem)

    def killed(self, cpu_s: float) -> None:
        """SIGKILL to all at once, at a random moment, as when the power fails; the next run clears the lock itself."""
        run = self._start()
        moment = self._random.uniform(0.5, cpu_s)
        happened = "killed" if run.wait_until_busy(moment) else "had ended before"
        run.kill()
        self._note("SIGKILL", f"after {moment:.1f} s of CPU", happened)

    def killed_in_part(self) -> None:
        """SIGKILL to the process that the person started alone: what it had started goes on, and nothing else may."""
        run = self._start()
        run.wait_for_step()
        run.send(signal.SIGKILL)
        code, told = self._start().end()
        problem = "" if code != 0 and "Another run is at work" in told else f"exit code {code}: {told}"
        self._note("SIGKILL to one process", "a second run meanwhile", "refused", told, problem)
        run.kill()

    def second_run(self) -> None:
        """A second run while the first is at work."""
        first = self._start()
        first.wait_for(self._study / ".snakemake" / "locks" / "0.input.lock")
        code, told = self._start().end()
        problem = "" if code != 0 and "Another run is at work" in told else f"exit code {code}: {told}"
        self._note("two runs at once", "second", "refused", told, problem)
        code, told = first.end()
        self._note("two runs at once", "first", "ended well", told, "" if code == 0 else told)

    def full_disk(self) -> None:
        """No room for the larger files: a limit on the size of files stands in for it where nothing can be mounted."""

        def limit() -> None:
            resource.setrlimit(resource.RLIMIT_FSIZE, (SMALL_FILE_BYTES, resource.RLIM_INFINITY))

        self.refused("full disk", f"files of up to {SMALL_FILE_BYTES} bytes", r"File too large", preexec_fn=limit)

    def little_memory(self, mb: int) -> None:
        """Perhaps less memory than a step needs: a limit on the address space of each process."""

        def limit() -> None:
            resource.setrlimit(resource.RLIMIT_AS, (mb << 20, mb << 20))

        self.refused("low memory", f"{mb} MB of address space", "Not enough memory", preexec_fn=limit)

    def read_only(self) -> None:
        """A folder of results that may not be written."""
        before = without_privileges()
        results = self._study / "results"
        results.mkdir(exist_ok=True)
        folders = [results, *(path for path in results.rglob("*") if path.is_dir())]
        files = [path for path in results.rglob("*") if path.is_file()]
        modes = {path: path.stat().st_mode for path in [*folders, *files]}
        for path in modes:
            path.chmod(modes[path] & 0o555)
        try:
            self.refused("read-only results", "permissions taken away", "Permission denied", before=before)
        finally:
            for path, mode in modes.items():
                path.chmod(mode)

    def clock(self, seconds: float) -> None:
        """The clock jumps: what is there seems to be of another time than what comes."""
        for path in (self._study / "results").rglob("*"):
            if path.is_file():
                times = path.stat()
                os.utime(path, (times.st_atime + seconds, times.st_mtime + seconds))
        days = round(seconds / 86_400)
        self._note("clock jump", f"{days:+d} days", "went on")

    def goes_on(self, fault: str) -> None:
        """An undisturbed run afterwards: it ends well, with the tables as they ought to be."""
        code, told = self._start().end()
        problem = "" if code == 0 else f"exit code {code}: {told}"
        if different := self._different():
            problem += f" different tables: {different}"
        self._note(
            f"{fault}, then a run to the end", "", "identical tables" if not problem else "differs", told, problem
        )

    def lose_records(self) -> None:
        """The hidden folder with Snakemake's own records is lost."""
        shutil.rmtree(self._study / ".snakemake", ignore_errors=True)
        self._note("hidden folder lost", "", "went on")

    def begin_again(self) -> None:
        """Throw away what runs have written."""
        for name in ("results", ".snakemake"):
            shutil.rmtree(self._study / name, ignore_errors=True)

    def same_again(self, name: str, cores: int, **environment: str) -> None:
        """A run from the beginning, on so many cores and in these surroundings."""
        self.begin_again()
        code, told = self._start(cores=cores, environment=environment).end()
        problem = told if code else ", ".join(self._different())
        self._note("the same again", name, "differs" if problem else "identical tables", told, problem)

    def _different(self) -> list[str]:
        now = tables(self._study)
        return sorted(name for name in now.keys() | self._whole.keys() if now.get(name) != self._whole.get(name))

    def _start(self, **options) -> Run:
        return Run(self._engine, self._study, targets=self._targets, **options)

    def refused(self, fault: str, name: str, words: str, **options) -> None:
        """A run that cannot end well says so in plain words."""
        run = self._start(**options)
        code, told = run.end()
        happened = "ended well" if code == 0 else "stopped in plain words"
        problem = "" if code == 0 or (words in told and told.strip()) else f"exit code {code}: {told}"
        if orphans := run.tree():
            problem = f"left running: {orphans}"
            run.kill()
        self._note(fault, name, happened, told, problem)

    def _note(self, fault: str, name: str, happened: str, told: str = "", problem: str = "") -> None:
        verdict = WRONG if problem else FINE
        if TRACEBACK_TEXT in told:
            verdict, problem = TRACEBACK, told
        elif problem.startswith("left running") or HUNG in told:
            verdict = HANG
        elif half := half_tables(self._study, self._whole):
            verdict, problem = LOSS, f"half or wrong: {half}"
        self.outcomes.append(Outcome(fault, name, happened, verdict, problem[-2000:]))


@contextlib.contextmanager
def tiny_disk(folder: Path, size: int) -> Iterator[None]:
    """A disk of so many bytes mounted at a folder; an OSError where that is not allowed."""
    folder.mkdir()
    if subprocess.run(["mount", "-t", "tmpfs", "-o", f"size={size}", "tmpfs", folder], capture_output=True).returncode:
        raise OSError("nothing can be mounted here")
    try:
        yield
    finally:
        subprocess.run(["umount", folder], check=True)


def really_full_disk(engine: Engine, study: Path, whole: dict[str, bytes], folder: Path) -> list[Outcome]:
    """A disk that fills up in the midst of a run, then is made room on; [] where nothing can be mounted."""
    size = sum(path.stat().st_size for path in study.rglob("*") if path.is_file())
    try:
        with tiny_disk(folder, size + 10_000_000):
            faults = Faults(engine, copy_of(study, folder / "study"), whole, 0, ALL_TABLES)
            filler = folder / "filler"
            for left in (50_000, 300_000, 700_000):
                filler.write_bytes(bytes(shutil.disk_usage(folder).free - left))
                faults.refused("full disk", f"{left} bytes left", "disk that the study is on is full")
                filler.unlink()
            faults.goes_on("full disk")
            return faults.outcomes
    except (OSError, FileNotFoundError):
        return []


def run(folder: Path, repo: Path, kills: int = 30) -> list[Outcome]:
    """The whole campaign of faults, on one small study, as far as its tables."""
    engine = Engine(repo, folder / "engine" / "ever bore")
    study = made_smaller(make_study(folder / "study", repo))
    undisturbed = copy_of(study, folder / "else where")
    code, told = Run(engine, undisturbed, targets=ALL_TABLES).end()
    if code:
        raise RuntimeError(told)
    whole = tables(undisturbed)
    inputs = _hashes(study)
    faults = Faults(engine, study, whole, seed=2, targets=ALL_TABLES)
    for number in range(kills):
        faults.killed(cpu_s=8)
        if faults.outcomes[-1].happened == "had ended before":
            faults.begin_again()
        if number % 6 == 5:
            if number % 12 == 5:
                faults.lose_records()
            faults.goes_on("SIGKILL")
            faults.begin_again()
    faults.killed_in_part()
    faults.goes_on("SIGKILL to one process")
    faults.begin_again()
    for number in (signal.SIGINT, signal.SIGTERM, signal.SIGHUP, signal.SIGINT, signal.SIGINT):
        faults.interrupted(number, cpu_s=6)
    faults.goes_on("Ctrl-C")
    faults.begin_again()
    faults.full_disk()
    for mb in LITTLE_MEMORY_MB:
        faults.little_memory(mb)
        if faults.outcomes[-1].happened == "ended well":
            faults.begin_again()
    faults.goes_on("low memory")
    faults.read_only()
    faults.begin_again()  # a study that is done would leave the first run nothing to do
    faults.second_run()
    for days in (-3, 400, -10_000):
        faults.clock(days * 86_400)
        faults.goes_on("clock jump")
    faults.same_again("1 core", 1)
    faults.same_again("1 core, another locale, time zone, hash seed and home", 1, **ELSEWHERE)
    faults.same_again("2 cores, again", 2)
    outcomes = [*faults.outcomes, *really_full_disk(engine, study, whole, folder / "disk")]
    changed = [name for name, digest in _hashes(study).items() if inputs.get(name) != digest]
    return [*outcomes, Outcome("inputs before and after", "", "unchanged", WRONG if changed else FINE, str(changed))]


def _hashes(study: Path) -> dict[str, str]:
    parts = [path for name in ("audio", "config") for path in (study / name).rglob("*") if path.is_file()]
    return {path.relative_to(study).as_posix(): hashlib.sha256(path.read_bytes()).hexdigest() for path in parts}
