"""A decoder that does its worst, at the word of a file's name, in the worker process alone.

No file is known that crashes or hangs the decoders that the project installs; should one turn up, this is what it
would do. `evil_decoder(folder)` is to be put on PYTHONPATH.
"""

from pathlib import Path

# Started with every Python process; the deeds are done where the decoder would open the file.
SITECUSTOMIZE = """
import os, signal, sys, time

def hang(file):
    while True:
        time.sleep(1)

def spin(file):
    while True:
        pass

def eat(file):
    hoard = []
    while True:
        hoard.append(bytearray(1 << 26))

def once(file):
    if not os.path.exists(os.environ["EVIL_ONCE"]):
        open(os.environ["EVIL_ONCE"], "x").close()
        os.kill(os.getpid(), signal.SIGKILL)

def fail(file):
    raise IndexError("evil index")

def crash(file):
    os.kill(os.getpid(), signal.SIGSEGV)

def abort(file):
    os.abort()

def leave(file):
    os._exit(3)

def lack(file):
    raise ImportError("some.so: failed to map segment from shared object")

def mute(file):
    for number in range(3, 64):
        try:
            os.close(number)
        except OSError:
            pass
    hang(file)

def chatter(file):
    os.write(1, b"no answer at all\\n")

def vanish(file):
    os.unlink(file)

def shrink(file):
    os.truncate(file, os.path.getsize(file) // 2)

BEFORE = {one.__name__: one for one in (hang, spin, eat, once, fail, crash, abort, leave, lack, mute, chatter, vanish)}
AFTER = {"shrink": shrink}

if "evenbore.process.worker" in sys.orig_argv:
    import soundfile

    opened = soundfile.SoundFile.__init__

    def open_evil(self, file, *arguments, **options):
        word = os.path.basename(str(file)).partition(".")[0].rpartition("_")[2]
        BEFORE.get(word, str)(file)
        opened(self, file, *arguments, **options)
        AFTER.get(word, str)(file)

    soundfile.SoundFile.__init__ = open_evil
"""


def evil_decoder(folder: Path) -> str:
    """Write it into a folder; returns what PYTHONPATH must hold."""
    (folder / "sitecustomize.py").write_text(SITECUSTOMIZE, encoding="utf-8")
    return str(folder)
