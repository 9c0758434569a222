"""A Slurm of one node on this machine, for tests: python tests/workflow/slurm.py start|stop.

Debian's munge and slurm-wlm, without systemd and without accounting, everything on the loopback device. It writes
/etc/slurm/slurm.conf, because job steps do not inherit SLURM_CONF: it needs root and is meant for a machine that may
be thrown away, where somebody has installed Slurm on purpose (`.ci/debian-packages.txt` does not). A machine that has
a slurm.conf of its own is left alone. What an earlier run left behind is cleared.
"""

import contextlib
import os
import shutil
import socket
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import psutil

CONF = Path("/etc/slurm/slurm.conf")
MARK = "# written by evenbore's tests"
STATE = Path(tempfile.gettempdir()) / "evenbore-slurm"
KEY = Path("/etc/munge/munge.key")
NODE = ("slurmd", "slurmstepd")  # in this order, so that no step is started meanwhile
PROGRAMS = ("munged", "slurmctld", "slurmd", "sbatch", "squeue")
PATIENCE_S = 120


def missing() -> str:
    """Why no Slurm can be started here; empty where it can."""
    lacking = [name for name in PROGRAMS if shutil.which(name, path=f"{os.environ['PATH']}:/usr/sbin") is None]
    if lacking:
        return f"no Slurm here: {', '.join(lacking)} (Debian: munge, slurm-wlm)"
    if os.geteuid() != 0:
        return "a Slurm can be started by root only"
    if CONF.exists() and MARK not in CONF.read_text(encoding="utf-8"):
        return f"{CONF} belongs to another cluster"
    return ""


def start() -> None:
    """Start the three daemons and wait until the node takes jobs."""
    stop()
    STATE.mkdir(parents=True)
    host, memory_mb = socket.gethostname().split(".")[0], psutil.virtual_memory().total // 2**20
    CONF.parent.mkdir(exist_ok=True)
    CONF.write_text(
        f"""{MARK}
ClusterName=evenbore
SlurmctldHost={host}(127.0.0.1)
SlurmUser=root
ProctrackType=proctrack/linuxproc
TaskPlugin=task/none
JobAcctGatherType=jobacct_gather/none
SelectType=select/cons_tres
SelectTypeParameters=CR_CPU
ReturnToService=2
KillWait=2
SlurmdTimeout=5
StateSaveLocation={STATE}/controller
SlurmdSpoolDir={STATE}/node
SlurmctldPidFile={STATE}/slurmctld.pid
SlurmdPidFile={STATE}/slurmd.pid
SlurmctldLogFile={STATE}/slurmctld.log
SlurmdLogFile={STATE}/slurmd.log
NodeName={host} NodeAddr=127.0.0.1 CPUs={os.cpu_count()} RealMemory={memory_mb} State=UNKNOWN
PartitionName=main Nodes=ALL Default=YES MaxTime=INFINITE State=UP
""",
        encoding="utf-8",
    )
    (STATE / "controller").mkdir()
    (STATE / "node").mkdir()
    if not KEY.exists():
        _run("mungekey", "--create")
        shutil.chown(KEY, "munge", "munge")
    Path("/run/munge").mkdir(exist_ok=True)
    shutil.chown("/run/munge", "munge", "munge")
    _run("runuser", "-u", "munge", "--", "/usr/sbin/munged", "--force")
    _run("/usr/sbin/slurmctld")
    start_node()


def start_node() -> None:
    """Start the node's daemon and wait until it takes jobs."""
    _run("/usr/sbin/slurmd")
    _wait_for_node("idle", "mix", "alloc")


def fail_node() -> None:
    """Kill the node's daemon and all job steps, as when a machine loses its power, and wait until Slurm knows."""
    _kill(*NODE)
    _wait_for_node("down", "down*")


def stop() -> None:
    """Stop all daemons and jobs and forget their state."""
    _kill(*NODE, "slurmctld", "munged")
    shutil.rmtree(STATE, ignore_errors=True)


def _wait_for_node(*states: str) -> None:
    deadline = time.monotonic() + PATIENCE_S
    while (state := _run("sinfo", "-h", "-o", "%t", check=False)) not in states:
        if time.monotonic() > deadline:
            raise RuntimeError(f"Slurm's node is {state}, not {' or '.join(states)}; logs: {STATE}")
        time.sleep(0.2)


def _kill(*names: str) -> None:
    """Kill the processes of these names, one name after the other, and all that they started."""
    for name in names:
        for process in [one for one in psutil.process_iter(["name"]) if one.info["name"] == name]:
            with contextlib.suppress(psutil.NoSuchProcess):  # ended meanwhile
                family = [process, *process.children(recursive=True)]
                for one in family:
                    one.kill()
                psutil.wait_procs(family, timeout=10)


def _run(*command: str, check: bool = True) -> str:
    done = subprocess.run(command, check=check, stdout=subprocess.PIPE, text=True, timeout=PATIENCE_S)
    return done.stdout.strip()


if __name__ == "__main__":
    {"start": start, "stop": stop}[sys.argv[1]]()
