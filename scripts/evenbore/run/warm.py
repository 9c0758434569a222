"""Lets the steps of a run begin warm: as copies (forks) of one process that has loaded the libraries.

A Python of its own, which Snakemake starts for a step, would take longer to load them than most steps of a small study
work. Such a Python is still started where a step cannot be a copy: on a cluster, with conda or a container, off Linux
(the libraries of macOS do not bear being copied), and when the process that is copied has died.
"""

import atexit
import contextlib
import gc
import importlib
import os
import runpy
import select
import signal
import socket
import subprocess
import sys
import traceback
from collections.abc import Iterable, Iterator
from typing import Any

from evenbore.files.paths import IMPORTED_FROM
from evenbore.process import blas, worker
from evenbore.run.dependencies import SCRIPTS
from evenbore.study.sheets import load_study

PYTHON = sys.executable  # as it is before Snakefiles quote it
FIRST = ("snakemake.iocontainers", "snakemake.logging", "evenbore.notes.measure")
"""Loaded before any step begins: what Snakemake writes above its script needs, and the worker that measures."""
LATER = ("jsonschema", "pyarrow.parquet", "scipy.stats")  # what steps load only where they use it
MOST_BYTES = 1 << 16  # of a path
PID_BYTES, GO = 4, b"!"


def warm_steps(steps: list[str], config: str) -> None:
    """Let Snakemake start its steps warm, for as long as this process lives; `steps`: the names of their scripts."""
    from snakemake.benchmark import benchmarked  # type: ignore[import-untyped]  # the library has no types
    from snakemake.script import PythonScript  # type: ignore[import-untyped]

    if sys.platform != "linux":
        return
    control, given = socket.socketpair(socket.AF_UNIX, socket.SOCK_SEQPACKET)
    search = os.pathsep.join([str(SCRIPTS), str(IMPORTED_FROM), *filter(None, [os.environ.get("PYTHONPATH")])])
    with given:
        subprocess.Popen(
            [PYTHON, "-P", "-m", __name__, str(given.fileno()), config, *steps],
            stdin=subprocess.DEVNULL, pass_fds=[given.fileno()],
            env=os.environ | {"PYTHONPATH": search, "OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1"},
        )  # fmt: skip
    cold = PythonScript.execute_script

    def execute(self: Any, path: str, edit: bool = False) -> Any:
        if self.conda_env or self.container_img or self.env_modules or edit:
            return cold(self, path, edit)
        ours, theirs = socket.socketpair()
        with ours, ours.makefile("rb") as told:
            with theirs, contextlib.suppress(OSError):
                socket.send_fds(control, [os.fsencode(path)], [theirs.fileno()])
            pid = told.read(PID_BYTES)
            if not pid:
                return cold(self, path, edit)
            with benchmarked(int.from_bytes(pid), self.bench_record):
                ours.sendall(GO)
                code = told.read()
        if code != b"\0":
            raise subprocess.CalledProcessError(code[0] if code else -signal.SIGKILL, path)
        return None

    PythonScript.execute_script = execute


def _serve(socket_number: int, config: str, steps: list[str]) -> None:
    """Start the scripts whose paths come in on a socket, until it ends; load what steps need while none is to start."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # Ctrl-C is for the steps; our end comes with Snakemake's
    signal.signal(signal.SIGCHLD, signal.SIG_IGN)  # nobody waits for the steps here
    for module in FIRST:
        importlib.import_module(module)
    blas.reserve()
    worker.loaded = True
    more = _loading((*steps, *LATER), config)
    with socket.socket(fileno=socket_number) as control:
        while True:
            if not select.select([control], [], [], 0)[0] and next(more, None):
                continue
            path, files, *_ = socket.recv_fds(control, MOST_BYTES, 1)
            if not files:
                return
            gc.freeze()  # a copy that looked through all this for what can be thrown away would need memory for it
            if os.fork() == 0:
                control.close()
                _run(os.fsdecode(path), socket.socket(fileno=files[0]))
            os.close(files[0])


def _loading(modules: Iterable[str], config: str) -> Iterator[object]:
    """Load the modules, one a turn, and what reading a study leaves in memory: schemas and the like."""
    yield from map(importlib.import_module, modules)
    yield load_study(".", config)


def _run(path: str, telling: socket.socket) -> None:
    """Run a script as a Python of its own would, and end; tells its process id, waits for GO, tells its exit code."""
    code = 1
    try:
        signal.signal(signal.SIGINT, signal.default_int_handler)
        signal.signal(signal.SIGCHLD, signal.SIG_DFL)
        telling.sendall(os.getpid().to_bytes(PID_BYTES))
        if telling.recv(len(GO)) == GO:
            sys.argv = [path]
            runpy.run_path(path, run_name="__main__")
            code = 0
    except SystemExit as end:
        code = end.code if isinstance(end.code, int) else int(end.code is not None)
    except BaseException:
        traceback.print_exc()
    finally:
        atexit._run_exitfuncs()
        telling.sendall(bytes([code]))
        os._exit(code)


if __name__ == "__main__":
    _serve(int(sys.argv[1]), sys.argv[2], sys.argv[3:])
