"""Make the demo's recordings and sheets anew: python scripts/make_demo.py [STUDY].

Not needed to run the demo, for its recordings come with the project; kept so that anyone can see and repeat how
they were made.
"""

import sys
from pathlib import Path

from evenbore.files.paths import repo_root
from evenbore.synth.demo import make_demo

if __name__ == "__main__":
    make_demo(Path(sys.argv[1]) if len(sys.argv) > 1 else repo_root())
