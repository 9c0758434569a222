"""A Slurm of one node on this machine, for tests: python tests/workflow/slurm.py start|stop.

Debian's munge and slurm-wlm, without systemd and without accounting, everything on the loopback device. It writes
/etc/slurm/slurm.conf, because job steps do not inherit SLURM_CONF: it needs root and is meant for a machine that may
be thrown away, where somebody has installed Slurm on purpose (`.ci/debian-packages.txt` does not). A machine that has
a slurm.conf of its own is left alone.
"""

import os
import shutil
import signal
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
DAEMONS = ("slurmd", "slurmctld", "munged")
PROGRAMS = ("munged", "slurmctld", "slurmd", "sbatch", "squeue")
UP_S = 120


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
SlurmdTimeout=10
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
    if not Path("/etc/munge/munge.key").exists():
        _run("mungekey", "--create")
    Path("/run/munge").mkdir(exist_ok=True)
    shutil.chown("/run/munge", "munge", "munge")
    _run("runuser", "-u", "munge", "--", "/usr/sbin/munged", "--force")
    _run("/usr/sbin/slurmctld")
    start_node()


def start_node() -> None:
    """Start the node's daemon and wait until it takes jobs."""
    _run("/usr/sbin/slurmd")
    deadline = time.monotonic() + UP_S
    while _node_state() not in ("idle", "mix", "alloc"):
        if time.monotonic() > deadline:
            raise RuntimeError(f"Slurm's node does not come up, its state is {_node_state()}")
        time.sleep(0.2)


def _node_state() -> str:
    return subprocess.run(["sinfo", "-h", "-o", "%t"], capture_output=True, text=True).stdout.strip()


def fail_node() -> None:
    """Kill the node's daemon and all job steps, as when a machine loses its power."""
    for process in psutil.process_iter(["name"]):
        if process.info["name"] in ("slurmd", "slurmstepd"):
            for child in process.children(recursive=True):
                child.kill()
            process.kill()


def stop() -> None:
    """Stop all daemons and forget their state."""
    running = [process for process in psutil.process_iter(["name"]) if process.info["name"] in DAEMONS]
    for process in running:
        process.send_signal(signal.SIGTERM)
    psutil.wait_procs(running, timeout=10)
    shutil.rmtree(STATE, ignore_errors=True)


def _run(*command: str) -> None:
    subprocess.run(command, check=True)


if __name__ == "__main__":
    {"start": start, "stop": stop}[sys.argv[1]]()
