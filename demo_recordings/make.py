"""Make the demo's recordings and sheets anew: python demo_recordings/make.py [STUDY].

Not needed to run the demo, for its recordings come with the project; kept so that anyone can see and repeat how
they were made.
"""

import sys
from pathlib import Path

REPO = Path(__file__).resolve().parents[1]
sys.path[:0] = [str(REPO / "tests"), str(REPO / "scripts")]

from synth.demo import make_demo

if __name__ == "__main__":
    make_demo(Path(sys.argv[1]) if len(sys.argv) > 1 else REPO)
