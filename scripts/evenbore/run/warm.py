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
import struct
import subprocess
import sys
import time
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
LATER = ("jsonschema", "pyarrow.parquet")  # what steps load only where they use it
PATH_BYTES, CLOSE_S = 1 << 16, 5.0
BEGUN, ENDED = b"!", struct.Struct("idd")  # exit code, CPU time (s), most memory (MB)


def warm_steps(rules: Iterable[Any], config: str) -> None:
    """Let Snakemake start the steps of its rules warm, for as long as this process lives; `config`: the study's."""
    from snakemake.script import PythonScript  # type: ignore[import-untyped]  # the library has no types

    if sys.platform != "linux":
        return
    control, given = socket.socketpair(socket.AF_UNIX, socket.SOCK_SEQPACKET)
    search = os.pathsep.join([str(SCRIPTS), str(IMPORTED_FROM), *filter(None, [os.environ.get("PYTHONPATH")])])
    with given:
        copied = subprocess.Popen(
            [PYTHON, "-P", "-m", __name__, str(given.fileno()), config, *(rule.name for rule in rules if rule.script)],
            stdin=subprocess.DEVNULL, pass_fds=[given.fileno()],
            env=os.environ | {"PYTHONPATH": search, "OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1"},
        )  # fmt: skip
    atexit.register(_end, copied, control)
    cold = PythonScript.execute_script

    def execute(self: Any, path: str, edit: bool = False) -> Any:
        if self.conda_env or self.container_img or self.env_modules or edit:
            return cold(self, path, edit)
        begun, (reading, telling) = time.monotonic(), os.pipe()
        with os.fdopen(reading, "rb") as told:
            with contextlib.suppress(OSError):
                socket.send_fds(control, [os.fsencode(path)], [telling])
            os.close(telling)
            if not told.read(len(BEGUN)):
                return cold(self, path, edit)
            end = told.read(ENDED.size)
        code, cpu_s, rss_mb = ENDED.unpack(end) if end else (-signal.SIGKILL, 0.0, 0.0)
        if self.bench_record is not None:  # Snakemake would read a process' memory again and again, which takes long
            took = {"running_time": time.monotonic() - begun, "cpu_time": cpu_s, "cpu_usage": 100 * cpu_s}
            vars(self.bench_record).update(took, max_rss=rss_mb, data_collected=True)
        if code:
            raise subprocess.CalledProcessError(code, path)
        return None

    PythonScript.execute_script = execute


def _end(copied: "subprocess.Popen[bytes]", control: socket.socket) -> None:
    """Let the process that is copied end."""
    control.close()
    with contextlib.suppress(subprocess.TimeoutExpired):  # whoever started us ends it
        copied.wait(CLOSE_S)


def _serve(socket_number: int, config: str, steps: list[str]) -> None:
    """Start the scripts whose paths come in on a socket, until it ends; load what steps need while none is to start."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # Ctrl-C is for the steps; our end comes with Snakemake's
    signal.signal(signal.SIGCHLD, _reap)
    for module in FIRST:
        importlib.import_module(module)
    blas.reserve()
    worker.loaded = True
    more = _loading((*steps, *LATER), config)
    with socket.socket(fileno=socket_number) as control:
        while True:
            if not select.select([control], [], [], 0)[0] and next(more, None):
                continue
            path, files, *_ = socket.recv_fds(control, PATH_BYTES, 1)
            if not files:
                return
            gc.freeze()  # a copy that looked through all this for what can be thrown away would need memory for it
            if os.fork() == 0:
                control.close()
                _run(os.fsdecode(path), files[0])
            os.close(files[0])


def _loading(modules: Iterable[str], config: str) -> Iterator[object]:
    """Load the modules, one a turn, and what reading a study leaves in memory, schemas and the like; the page's
    templates."""
    yield from map(importlib.import_module, modules)
    yield load_study(".", config)
    if build := sys.modules.get("evenbore.page.build"):
        templates = build.page_templates()
        yield from map(templates.get_template, templates.list_templates(extensions=["html"]))


def _reap(*_: object) -> None:
    """Let the steps that have ended go."""
    with contextlib.suppress(ChildProcessError):
        while os.waitpid(-1, os.WNOHANG)[0]:
            pass


def _run(path: str, telling: int) -> None:
    """Run a script as a Python of its own would, and end; tells that it has begun, and in the end what ENDED holds."""
    import resource  # Windows has none

    code = 1
    try:
        signal.signal(signal.SIGINT, signal.default_int_handler)
        signal.signal(signal.SIGCHLD, signal.SIG_DFL)
        os.write(telling, BEGUN)
        sys.argv = [path]
        runpy.run_path(path, run_name="__main__")
        code = 0
    except SystemExit as end:
        code = end.code if isinstance(end.code, int) else int(end.code is not None)
    except BaseException:
        traceback.print_exc()
    finally:
        atexit._run_exitfuncs()
        used = [resource.getrusage(who) for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN)]
        cpu_s = sum(one.ru_utime + one.ru_stime for one in used)
        os.write(telling, ENDED.pack(code, cpu_s, max(one.ru_maxrss for one in used) / 1024))
        os._exit(code)


if __name__ == "__main__":
    _serve(int(sys.argv[1]), sys.argv[2], sys.argv[3:])
