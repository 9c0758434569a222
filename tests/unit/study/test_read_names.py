"""What names tell, against invented folders with known truth: nothing wrong that nobody is asked to look at."""

import itertools
from pathlib import PurePath

import pytest

from evenbore.study.names import name_key, read_names
from messyfolders import TUNED, UNSEEN

STATES = ["as_found", "after_setup"]
FOLDERS = TUNED | UNSEEN


def guessed(files):
    return {guess.file: guess for guess in read_names([(file, PurePath(file)) for file in sorted(files)], STATES)}


def wrong_and_unmarked(folder):
    """(files with another instrument than the truth, files with another dynamic or state) that no doubt marks."""
    guesses = guessed(folder)
    sure = [file for file, guess in guesses.items() if not guess.doubts]
    key = {file: name_key(guesses[file].told["instrument"]) for file in sure}
    instrument = {
        file
        for pair in itertools.combinations(sure, 2)
        for file in pair
        if (key[pair[0]] == key[pair[1]]) != (folder[pair[0]].instrument == folder[pair[1]].instrument)
    }
    told = {file: guesses[file].told for file in sure}
    how = {
        file
        for file in sure
        if (told[file].get("dynamic", "mf"), told[file].get("state", STATES[0]))
        != (folder[file].dynamic, folder[file].state)
    }
    return instrument, how


def cells(folder):
    """(marks to clear, other cells to change) until the sheet of recordings is true; an instrument's name is free."""
    guesses = guessed(folder)
    of = {}
    for file, guess in guesses.items():
        of.setdefault(folder[file].instrument, []).append(name_key(guess.told["instrument"]))
    taken, changed = set(), 0
    for keys in of.values():
        free = [key for key in keys if key not in taken]
        best = max(free, key=free.count, default=None)
        taken.add(best)
        changed += sum(key != best for key in keys)
    for file, guess in guesses.items():
        changed += guess.told.get("dynamic", "mf") != folder[file].dynamic
        changed += guess.told.get("state", STATES[0]) != folder[file].state
    return sum(bool(guess.doubts) for guess in guesses.values()), changed


@pytest.mark.parametrize("name", FOLDERS)
def test_nothing_is_wrong_that_is_not_marked(name):
    assert wrong_and_unmarked(FOLDERS[name]) == (set(), set())


if __name__ == "__main__":  # the table of cells to change
    for name, folder in FOLDERS.items():
        marks, changed = cells(folder)
        bad = wrong_and_unmarked(folder)
        print(f"{name:50} {len(folder):3} files {marks:3} marks {changed:3} cells; wrong unmarked:", *map(len, bad))
