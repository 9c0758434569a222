"""How many contradictions of which kinds the outputs of a finished study hold: run.py STUDY [RESULTS] [--all]"""

import sys
from collections import Counter
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from consistency.outputs import read_study
from consistency.rules import contradictions

if __name__ == "__main__":
    folders = [Path(argument) for argument in sys.argv[1:] if argument != "--all"]
    if not 1 <= len(folders) <= 2:
        raise SystemExit(__doc__)
    statements = read_study(*folders)
    print(f"{len(statements)} statements:", dict(Counter(one.subject for one in statements)))
    found = contradictions(statements)
    for kind, number in Counter(one.kind for one in found).most_common():
        print(f"{number:5d}  {kind}")
        of_kind = [one for one in found if one.kind == kind]
        for one in of_kind if "--all" in sys.argv else of_kind[:2]:
            print("       ", one.why, "|", one.first.source, one.first.instrument, one.first.state or "",
                  one.first.key, "|", one.second and one.second.source)  # fmt: skip
    print(f"{len(found)} contradictions")
