"""A Python that has the libraries of others loaded already and forks for every command. POSIX only.

A dry run of Snakemake takes seconds to load what it needs, and less to tell what it would do. Nothing of the project
itself is loaded beforehand: every command takes that as it stands on the disk, as a Python of its own would.
"""

import json
import subprocess
import tempfile
from pathlib import Path

SERVER = """
import json, os, runpy, sys
import docutils.core, jsonschema, matplotlib.pyplot, nbformat, pandas, pyarrow.parquet, scipy.signal, scipy.stats
import smart_open, snakemake.cli, snakemake.report, yaml
for line in sys.stdin:
    call = json.loads(line)
    child = os.fork()
    if not child:
        assert not [name for name in sys.modules if name.startswith("evenbore")]
        for number, file in ((1, call["out"]), (2, call["err"])):
            os.dup2(os.open(file, os.O_WRONLY | os.O_CREAT), number)
        os.environ["PYTHONPATH"] = call["search"]
        sys.path.insert(0, call["search"])
        sys.argv[1:] = call["arguments"]
        runpy.run_module(call["module"], run_name="__main__", alter_sys=True)
        sys.exit()
    print(os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]), flush=True)
"""


class WarmPython:
    """Runs modules as commands; `search` is the folder where they find the project."""

    def __init__(self, python: Path, search: Path):
        self._search = str(search)
        self._server = subprocess.Popen(
            [python, "-c", SERVER], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
        )

    def run(self, module: str, arguments: list) -> subprocess.CompletedProcess:
        """As `python -m module arguments`, with what was told."""
        with tempfile.TemporaryDirectory() as folder:
            out, err = Path(folder) / "out", Path(folder) / "err"
            call = {"module": module, "arguments": [*map(str, arguments)], "search": self._search}
            self._server.stdin.write(json.dumps(call | {"out": str(out), "err": str(err)}) + "\n")
            self._server.stdin.flush()
            code = int(self._server.stdout.readline())
            told = [file.read_text(encoding="utf-8", errors="replace") for file in (out, err)]
        return subprocess.CompletedProcess([module, *arguments], code, *told)

    def close(self) -> None:
        """End it."""
        self._server.stdin.close()
        self._server.wait()
        self._server.stdout.close()
