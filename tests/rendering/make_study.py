"""Write the study of rendered instruments to a folder: python tests/rendering/make_study.py FOLDER."""

import sys
from pathlib import Path

TESTS = Path(__file__).resolve().parents[1]
sys.path[:0] = [str(TESTS), str(TESTS.parent / "scripts")]

from rendering.study import all_plans, write_study

if __name__ == "__main__":
    if len(sys.argv) != 2:
        raise SystemExit(__doc__)
    written = write_study(Path(sys.argv[1]), all_plans())
    print(f"{len(written)} recordings with {sum(map(len, written.values()))} notes in {sys.argv[1]}")
