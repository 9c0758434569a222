#!/usr/bin/env python3
"""Set evenbore up on a machine that has only Python, then run it.

    python3 scripts/start.py demo           the demo study, from its recordings to the finished report
    python3 scripts/start.py test           the whole test suite (what follows is handed to pytest)
    python3 scripts/start.py COMMAND ...    any evenbore command: new, check, run, listen, join; --help lists them

The first start makes a virtual environment, `.venv`, beside this folder and installs the packages pinned and
hashed in requirements.lock into it; later starts use it as it is until a lock file changes. After
`source .venv/bin/activate` (Windows: `.venv\\Scripts\\activate`) the commands `evenbore` and `snakemake` work too.
"""

# Standard library only, and nothing that Python 3.8 cannot read: an older Python must get as far as the message.
import contextlib
import hashlib
import importlib.util
import json
import os
import shutil
import signal
import subprocess
import sys
import time
from pathlib import Path

OLDEST = (3, 11)
REPO = Path(__file__).resolve().parent.parent
VENV = REPO / ".venv"
RUNTIME_LOCK = REPO / "requirements.lock"
TEST_LOCK = REPO / "requirements-test.lock"
WINDOWS = os.name == "nt"
# What would put other modules before the environment's, or have each process of a run compile all of evenbore anew
FOREIGN = ("PYTHONPATH", "PYTHONHOME", "PYTHONSTARTUP", "PYTHONDONTWRITEBYTECODE")
BIN = "Scripts" if WINDOWS else "bin"
# pytest's: a file at a time, for its tests share what is costly to make, in the order of tests/conftest.py. An -n that
# follows wins.
ON_ALL_CORES = ["-n", "logical", "--dist", "loadfile", "--no-loadscope-reorder"]

# What pip says when an install fails -> what to tell the user. The first match counts.
PIP_CAUSES = (
    ("No space left on device", "the disk is full; about 1.5 GB must be free"),
    ("DO NOT MATCH THE HASHES", "a downloaded package is not the one pinned in the lock file; clear pip's cache "
     "(python3 -m pip cache purge) and start again, and if it stays so, do not trust this network's downloads"),
    ("Read-only file system", "the disk is read-only"),
    ("Permission denied", "this user may not write there"),
    ("Temporary failure in name resolution", "no network, or the package index cannot be reached from here"),
    ("Connection", "no network, or the package index cannot be reached from here"),
    ("timed out", "no network, or the package index cannot be reached from here"),
    ("SSLError", "the connection to the package index is not trusted here (a proxy's certificate, or a wrong clock)"),
    ("Failed building wheel", "a package has no ready-made build for this Python or machine and could not be built; "
     "try another Python (3.11 to 3.13)"),
    ("No matching distribution", "a package cannot be had for this Python or machine, or the package index cannot "
     "be reached; check the network, then try another Python (3.11 to 3.13)"),
)  # fmt: skip


class SetupError(Exception):
    """Why the set-up stopped, in plain words."""


def main(argv):
    """Set up what the command needs and run it; returns the exit code."""
    if sys.version_info < OLDEST:
        version = ".".join(str(part) for part in sys.version_info[:3])
        print(
            "evenbore needs Python {}.{} or newer; this is Python {} ({}).\n"
            "Install a newer one and start again with it, for example: python3.12 scripts/start.py demo".format(
                *OLDEST, version, sys.executable
            ),
            file=sys.stderr,
        )
        return 2
    if not argv or argv[0] in ("-h", "--help"):
        print(__doc__.strip())
        return 0 if argv else 2
    command, rest = argv[0], argv[1:]
    try:
        python = prepare(VENV, TEST_LOCK if command == "test" else RUNTIME_LOCK)
    except SetupError as error:
        print(f"Set-up failed: {error}", file=sys.stderr)
        return 1
    except KeyboardInterrupt:
        print("\nSet-up interrupted; the next start takes it up again.", file=sys.stderr)
        return 130
    for name in FOREIGN:
        os.environ.pop(name, None)
    if command == "test":
        return run([str(python), "-m", "pytest", *ON_ALL_CORES, *rest], cwd=REPO)
    os.environ["EVENBORE_COMMAND"] = typed(sys.argv[0])  # for the next command that evenbore names
    if command == "demo":
        return run([str(python), "-P", "-m", "evenbore.run.cli", "run", str(REPO), *rest])
    return run([str(python), "-P", "-m", "evenbore.run.cli", *argv])


def prepare(venv, lock):
    """Return the environment's Python, after making or updating the environment if `lock` asks for it."""
    python = venv / BIN / ("python.exe" if WINDOWS else "python")
    if not lock.is_file():
        raise SetupError(f"{lock} is missing; this copy of evenbore is incomplete")
    if is_ready(venv, python, lock):
        return python
    with only_one(venv):
        if not is_ready(venv, python, lock):  # another start may have done it while this one waited
            try:
                set_up(venv, python, lock)
            except OSError as error:
                raise SetupError(
                    f"cannot write {error.filename or venv}: {error.strerror}.\n"
                    "evenbore keeps its packages and results in its own folder: copy the folder to a disk "
                    "where you may write (about 1.5 GB free) and start again"
                ) from error
    return python


def set_up(venv, python, lock):
    """Make the environment where there is none that works, install the lock, and leave the stamp last."""
    stamp = stamp_path(venv)
    sound = is_sound(venv, python, read_stamp(venv))
    with contextlib.suppress(FileNotFoundError):
        stamp.unlink()  # an interrupted set-up must not look finished
    if not (sound and works([str(python), "-m", "pip", "--version"])):
        make_venv(venv)
    print("Setting up evenbore in .venv: downloading and installing its packages takes some minutes, this once ...")
    install(python, lock)
    make_importable(venv, python)
    done = {"folder": str(venv), "locks": {lock.name: digest(lock)}, "python": version_of(python)}
    done["holds"] = sorted(os.listdir(str(site_packages(python))))
    if lock.name == TEST_LOCK.name:  # the test lock holds the run-time packages at the same versions
        runtime = lock.with_name(RUNTIME_LOCK.name)
        done["locks"][runtime.name] = digest(runtime)
    part = stamp.with_suffix(".part")
    part.write_text(json.dumps(done), encoding="utf-8")
    os.replace(str(part), str(stamp))


def make_venv(venv):
    """Make an empty environment, clearing what a broken or moved one left."""
    missing = [module for module in ("venv", "ensurepip") if importlib.util.find_spec(module) is None]
    if missing:
        version = "{}.{}".format(*sys.version_info)
        raise SetupError(
            f"this Python ({sys.executable}) comes without its modules {' and '.join(missing)}, which make virtual "
            f"environments.\nOn Debian or Ubuntu: sudo apt install python{version}-venv    (or: python3-venv)\n"
            "Elsewhere: install Python from python.org or the system's full Python package"
        )
    if Path(sys.prefix).resolve() == venv.resolve():
        raise SetupError(
            f"{venv} needs making anew, which its own Python cannot do; run 'deactivate' first and start again"
        )
    if venv.is_dir():
        shutil.rmtree(str(venv))
    made = listened([sys.executable, "-m", "venv", str(venv)])
    if made.returncode:
        raise SetupError(f"Python could not make the virtual environment {venv}:\n{tail(made.stdout)}")


def install(python, lock):
    """Install the lock's packages, each checked against its hash."""
    # The user's own pip settings (an index, a proxy) count, but not the one that would install outside .venv.
    settings = dict(os.environ, PIP_USER="0", PIP_DISABLE_PIP_VERSION_CHECK="1", PIP_NO_INPUT="1")
    pip = listened([str(python), "-m", "pip", "install", "--quiet", "--require-hashes", "-r", str(lock)], settings)
    if pip.returncode:
        causes = [cause for words, cause in PIP_CAUSES if words in pip.stdout]
        cause = causes[0] if causes else "pip stopped"
        raise SetupError(
            f"the packages could not be installed: {cause}.\npip's last words:\n{tail(pip.stdout)}\n"
            "What is installed so far is kept; start again to go on from there"
        )


def make_importable(venv, python):
    """Let the environment's Python find the library, and put an `evenbore` command beside it.

    A path file and a two-line launcher, both relative, need no build step and survive any characters in the path.
    """
    site = site_packages(python)
    library = Path(__file__).resolve().parent
    (site / "evenbore.pth").write_text(os.path.relpath(str(library), str(site)) + "\n", encoding="utf-8")
    if WINDOWS:
        launcher = venv / BIN / "evenbore.cmd"
        unset = "".join(f'@set "{name}="\n' for name in FOREIGN)
        launcher.write_text("@setlocal\n" + unset + '@"%~dp0python.exe" -P -m evenbore.run.cli %*\n', encoding="ascii")
    else:
        launcher = venv / BIN / "evenbore"
        unset = "unset {}\n".format(" ".join(FOREIGN))
        call = 'exec "$(dirname "$0")/python" -P -m evenbore.run.cli "$@"\n'
        launcher.write_text("#!/bin/sh\n" + unset + call, encoding="ascii")
        launcher.chmod(0o755)


def site_packages(python):
    """Where the environment's packages are."""
    where = subprocess.run(
        [str(python), "-I", "-c", "import sysconfig; print(ascii(sysconfig.get_path('purelib')))"],
        stdout=subprocess.PIPE,
        encoding="ascii",
        check=True,
    )
    return Path(where.stdout.strip()[1:-1].encode("ascii").decode("unicode_escape"))


def version_of(python):
    """The environment's Python as `3.12`; nothing where it does not run."""
    try:
        asked = [str(python), "-I", "-c", "import sys; print('{}.{}'.format(*sys.version_info))"]
        return subprocess.run(asked, stdout=subprocess.PIPE, encoding="ascii", check=True).stdout.strip()
    except (OSError, subprocess.SubprocessError):
        return ""


def typed(script):
    """What this script is called by in a command line."""
    name = '"' + script + '"' if " " in script else script
    return ("py " if WINDOWS else "python3 ") + name


def run(command, cwd=None):
    """Hand over to `command`; Ctrl-C goes to it alone and its exit code becomes ours."""
    sys.stdout.flush()
    if not WINDOWS:
        if cwd:
            os.chdir(str(cwd))
        os.execv(command[0], command)
    with subprocess.Popen(command, cwd=cwd and str(cwd)) as process:
        signal.signal(signal.SIGINT, signal.SIG_IGN)  # the console sends Ctrl-C to both; the command ends us
        return process.wait()


@contextlib.contextmanager
def only_one(venv):
    """Hold the set-up's lock file, waiting for another start to finish; the system frees it if we die."""
    path = venv.with_name(venv.name + ".lock")
    try:
        handle = open(str(path), "a")  # noqa: SIM115 - held open, and so locked, until the set-up is done
    except OSError as error:
        raise SetupError(
            f"cannot write in {venv.parent}: {error.strerror}.\nevenbore keeps its packages and results in its own "
            "folder: copy the folder to a disk where you may write (about 1.5 GB free) and start again"
        ) from error
    with handle:
        told = False
        while not try_lock(handle):
            if not told:
                print("Another start is setting evenbore up; waiting for it ...")
                told = True
            time.sleep(0.5)
        yield


def try_lock(handle):
    """Take the file's lock if nobody holds it."""
    try:
        if WINDOWS:
            import msvcrt

            handle.seek(0)
            msvcrt.locking(handle.fileno(), msvcrt.LK_NBLCK, 1)
        else:
            import fcntl

            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError:
        return False
    return True


def stamp_path(venv):
    """The file, written last, that says what a finished set-up installed."""
    return venv / "evenbore-setup.json"


def read_stamp(venv):
    """The stamp's contents; empty when there is none or it cannot be read."""
    try:
        stamp = json.loads(stamp_path(venv).read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return {}
    return stamp if isinstance(stamp, dict) else {}


def is_ready(venv, python, lock):
    """Whether the environment is in its place and holds what the lock says."""
    stamp = read_stamp(venv)
    same = "folder" in stamp and stamp.get("locks", {}).get(lock.name) == digest(lock)
    return same and python.exists() and is_sound(venv, python, stamp)


def is_sound(venv, python, stamp):
    """Whether what a set-up left is as it left it: in its place, of the same Python, nothing gone."""
    if stamp.get("folder", str(venv)) != str(venv):
        return False
    if "python" not in stamp:  # there is none, or one of before this was noted
        return True
    if version_of(python) != stamp["python"]:
        return False
    return set(stamp["holds"]) <= set(os.listdir(str(site_packages(python))))


def digest(path):
    """SHA-256 of a text file, the same whatever line ends the checkout has."""
    return hashlib.sha256(path.read_bytes().replace(b"\r\n", b"\n")).hexdigest()


def works(command):
    """Whether the command can be run and succeeds."""
    try:
        return subprocess.run(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL).returncode == 0
    except OSError:
        return False


def listened(command, environment=None):
    """Run a command; all that it says is its `stdout`."""
    return subprocess.run(
        command,
        env=environment,
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        encoding="utf-8",
        errors="replace",
    )


def tail(text):
    """The last lines of a program's output, indented."""
    return "\n".join("  " + line for line in text.strip().splitlines()[-12:])


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
