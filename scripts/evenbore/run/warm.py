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
import signal
import socket
import subprocess
import sys
import traceback
from typing import Any

from evenbore.files.paths import IMPORTED_FROM
from evenbore.process import blas, worker
from evenbore.run.dependencies import SCRIPTS

PYTHON = sys.executable  # as it is before Snakefiles quote it
NEEDED = ("snakemake.iocontainers", "snakemake.logging", "evenbore.notes.measure")
"""Loaded beside what the scripts import: what Snakemake writes above them needs, and the worker that measures."""
MOST_BYTES = 1 << 16  # of a path
PID_BYTES = 4


def warm_steps(steps: list[str]) -> None:
    """Let Snakemake start its steps warm, for as long as this process lives; `steps`: the names of their scripts."""
    from snakemake.benchmark import benchmarked  # type: ignore[import-untyped]  # the library has no types
    from snakemake.script import PythonScript  # type: ignore[import-untyped]

    if sys.platform != "linux":
        return
    control, given = socket.socketpair(socket.AF_UNIX, socket.SOCK_SEQPACKET)
    search = os.pathsep.join([str(SCRIPTS), str(IMPORTED_FROM), *filter(None, [os.environ.get("PYTHONPATH")])])
    with given:
        subprocess.Popen(
            [PYTHON, "-P", "-m", __name__, *NEEDED, *steps], stdin=given,
            env=os.environ | {"PYTHONPATH": search, "OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1"},
        )  # fmt: skip
    cold = PythonScript.execute_script

    def execute(self: Any, path: str, edit: bool = False) -> None:
        if self.conda_env or self.container_img or self.env_modules or edit:
            return cold(self, path, edit)
        reading, telling = os.pipe()
        with os.fdopen(reading, "rb") as told:
            with contextlib.suppress(OSError):
                socket.send_fds(control, [os.fsencode(path)], [telling])
            os.close(telling)
            pid = told.read(PID_BYTES)
            if not pid:
                return cold(self, path, edit)
            with benchmarked(int.from_bytes(pid), self.bench_record):
                code = told.read()
        if code != b"\0":
            raise subprocess.CalledProcessError(code[0] if code else -signal.SIGKILL, path)

    PythonScript.execute_script = execute


def _serve(modules: list[str]) -> None:
    """Load the modules, then start the scripts whose paths come in on stdin, a socket, until it ends."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # Ctrl-C is for the steps; our end comes with Snakemake's
    signal.signal(signal.SIGCHLD, signal.SIG_IGN)  # nobody waits for the steps here
    for module in modules:
        importlib.import_module(module)
    blas.reserve()
    worker.loaded = True
    gc.freeze()  # a copy that looked through all this for what can be thrown away would need memory of its own for it
    with socket.socket(fileno=0) as control:
        while True:
            path, files, *_ = socket.recv_fds(control, MOST_BYTES, 1)
            if not files:
                return
            if os.fork() == 0:
                control.close()
                _run(os.fsdecode(path), files[0])
            os.close(files[0])


def _run(path: str, telling: int) -> None:
    """Run a script as a Python of its own would, and end; tells its process id at once and its exit code in the end."""
    code = 1
    try:
        signal.signal(signal.SIGINT, signal.default_int_handler)
        signal.signal(signal.SIGCHLD, signal.SIG_DFL)
        os.write(telling, os.getpid().to_bytes(PID_BYTES))
        sys.argv = [path]
        runpy.run_path(path, run_name="__main__")
        code = 0
    except SystemExit as end:
        code = int(end.code or 0)
    except BaseException:
        traceback.print_exc()
    finally:
        atexit._run_exitfuncs()
        os.write(telling, bytes([code]))
        os._exit(code)


if __name__ == "__main__":
    _serve(sys.argv[1:])
