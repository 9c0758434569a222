"""Invented folders of recordings as people name them, with what is true of each file.

A folder maps each path to its truth: instrument, and where the name means to tell it dynamic, state, take. Those of
`TUNED` were before the reading of names; those of `UNSEEN` were written when it was done, and nothing was changed for
them.
"""

from dataclasses import dataclass


@dataclass(frozen=True)
class Truth:
    """What is true of a file."""

    instrument: str
    dynamic: str = "mf"
    state: str = "as_found"


def _each(*rows):
    return {path: Truth(*truth) for path, *truth in rows}


TUNED = {
    "a shop's serial numbers, one take each": _each(*((f"24-{n:04d}.wav", f"24-{n}") for n in range(401, 441))),
    "a phone, named by the clock": _each(
        ("2025-03-04 14.24.23.m4a", "oak"),
        ("2025-03-04 14.26.01.m4a", "oak"),
        ("2025-03-04 14.31.40.m4a", "yew"),
        ("2025-03-04 14.33.02.m4a", "yew"),
        ("2025-03-04 14.40.55.m4a", "elm"),
    ),
    "a phone, counted": _each(*((f"New Recording {n}.m4a", f"clarinet {n}") for n in range(12, 18))),
    "a teacher, German": _each(
        *(
            (f"{day}/Klarinette {name} {how} {n}.mp3", name, dynamic)
            for day in ("Montag", "Dienstag")
            for name in ("Rot", "Blau")
            for how, dynamic in (("leise", "p"), ("laut", "f"))
            for n in (1, 2)
        )
    ),
    "a recorder's counter in folders of instruments": _each(
        *(
            (f"Flute {name}/DX{n:04d}.WAV", name)
            for name, first in (("A", 1), ("B", 4), ("C", 7))
            for n in range(first, first + 3)
        )
    ),
    "takes numbered behind the name": _each(
        *((f"{name}_{n}.wav", name) for name in ("oak", "yew", "elm") for n in (1, 2))
    ),
    "instruments numbered behind the kind": _each(*((f"alto {n}.wav", f"alto {n}") for n in range(1, 9))),
    "before and after, French": _each(
        *(
            (f"{name} {word} prise {n}.flac", name, "mf", state)
            for name in ("hautbois rouge", "hautbois noir")
            for word, state in (("avant", "as_found"), ("après", "after_setup"))
            for n in (1, 2)
        )
    ),
    "letters A to H": _each(*((f"Clarinet {letter} take {n}.wav", letter) for letter in "ABCDEFGH" for n in (1, 2))),
    "two players": _each(
        *(
            (f"{player}_{name}_mf_{n}.wav", name)
            for player in ("anna", "ben")
            for name in ("oak", "yew")
            for n in (1, 2)
        )
    ),
    "remarks and a slip of the finger": _each(
        ("maple take1.wav", "maple"),
        ("maple take2 bad.wav", "maple"),
        ("mapel take3.wav", "maple"),
        ("walnut take1.wav", "walnut"),
        ("walnut take2 final.wav", "walnut"),
        ("walnut take2 squeak 2nd try.wav", "walnut"),
    ),
    "running numbers in front": _each(
        ("01 pear.wav", "pear"),
        ("02 apple.wav", "apple"),
        ("03 pear.wav", "pear"),
        ("04 plum.wav", "plum"),
        ("05 apple.wav", "apple"),
        ("06 plum.wav", "plum"),
    ),
}

UNSEEN = {
    "a researcher, codes with participants": _each(
        *(
            (f"P{player:02d}/{name}_chrom_{how}_{n}.wav", name, how)
            for player in (1, 2)
            for name in ("C1", "C2", "C3")
            for how in ("mf", "ff")
            for n in (1, 2)
        )
    ),
    "a shop, serial with takes": _each(
        *((f"{serial} take {n}.flac", serial) for serial in ("523117", "523118", "519004") for n in (1, 2, 3))
    ),
    "a phone's voice notes, Spanish": _each(
        ("Nueva grabación.m4a", "uno"),
        ("Nueva grabación 2.m4a", "uno"),
        ("Nueva grabación 3.m4a", "dos"),
        ("Nueva grabación 4.m4a", "dos"),
        ("Nueva grabación 5.m4a", "tres"),
    ),
    "a camera": _each(*((f"MVI_{n}.MOV", f"horn {n // 2}") for n in range(4410, 4418))),
    "a recorder, date and counter": _each(*((f"250304_{n:04d}.wav", f"bassoon {n // 3}") for n in range(3, 15))),
    "Italian, soft and loud": _each(
        *(
            (f"flauto {name} {how} presa {n}.wav", name, dynamic)
            for name in ("argento", "legno")
            for how, dynamic in (("piano", "p"), ("forte", "f"))
            for n in (1, 2)
        )
    ),
    "numbers glued to the makers' nicknames": _each(
        *((f"{name}{n}.wav", f"{name}{n}") for name in ("lion", "bear") for n in (1, 2, 3))
    ),
    "takes glued to nicknames": _each(
        *((f"{name}{n}.wav", name) for name in ("lion", "bear", "wolf") for n in (1, 2, 3))
    ),
    "folders by player, files by instrument": _each(
        *((f"{player}/{name}.wav", name) for player in ("Clara", "Jonas") for name in ("blackwood", "plastic"))
    ),
    "folders by instrument, files by player": _each(
        *((f"{name}/{player}.wav", name) for player in ("Clara", "Jonas") for name in ("blackwood", "plastic"))
    ),
    "one folder for each, date names within": _each(
        *(
            (f"trumpet {name}/2025-02-{day} 10-{10 + day}-05.wav", name)
            for name, first in (("gold", 11), ("silver", 14), ("raw", 17))
            for day in range(first, first + 3)
        )
    ),
    "copies and second tries": _each(
        ("ebony mf take 1.wav", "ebony"),
        ("ebony mf take 1 retake.wav", "ebony"),
        ("ebony mf take 2.wav", "ebony"),
        ("ebony pp take 1.wav", "ebony", "pp"),
        ("cedar mf take 1.wav", "cedar"),
        ("cedar mf take 2.wav", "cedar"),
        ("cedar pp take 1.wav", "cedar", "pp"),
        ("Cedar_pp_take2.wav", "cedar", "pp"),
    ),
    "by states, German": _each(
        *(
            (f"{state} Service/Oboe {n} Aufnahme {k}.wav", f"oboe {n}", "mf", to)
            for n in (1, 2, 3)
            for k in (1, 2)
            for state, to in (("vor", "as_found"), ("nach", "after_setup"))
        )
    ),
    "sizes and keys in names": _each(
        *(
            (f"horn {key} {make} mf {n}.wav", f"{key} {make}")
            for key, make in (("F", "large"), ("F", "medium"), ("Bb", "large"))
            for n in (1, 2)
        )
    ),
    "numbered in front, one each": _each(
        *((f"{n}. {name}.mp3", name) for n, name in enumerate(("ash", "beech", "fir"), 1))
    ),
    "units of models, two takes": _each(
        *(
            (f"{model}-{unit}-{take}.wav", f"{model} {unit}")
            for model in ("student", "pro")
            for unit in (1, 2)
            for take in (1, 2)
        )
    ),
    "a memo app, places and times": _each(
        ("Rue du Moulin 3.m4a", "a"),
        ("Rue du Moulin 4.m4a", "b"),
        ("Rue du Moulin 5.m4a", "b"),
        ("Gare 2.m4a", "c"),
    ),
    "exported tracks of one project": _each(*((f"Evening_Tr{n}.wav", f"flute {n}") for n in range(1, 7))),
    "mixed hands": _each(
        ("Tenor silver soft.wav", "silver", "p"),
        ("tenor_silver_loud.wav", "silver", "f"),
        ("Tenor-Silver-1.wav", "silver"),
        ("tenor gold 1.wav", "gold"),
        ("tenor gold LOUD 2.wav", "gold", "f"),
        ("tenor gld soft.wav", "gold", "p"),
        ("New Recording 7.m4a", "gold"),
    ),
}
