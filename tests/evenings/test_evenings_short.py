"""The short form of the evenings: what `new` makes of a long file, and that the comparison with the truth can fail."""

import pytest

from evenbore.study.new import new_study
from evenings.folders import SOUNDFONT, Found, TrueTake, User, compared, one_file
from rendering.render import find_soundfont


def test_takes_of_several_instruments_are_found_in_one_file_and_none_named_without_a_mark(
    tmp_path, require_program, require_file
):
    require_program("fluidsynth")
    require_program("espeak-ng")
    require_file("timgm6mb-soundfont", find_soundfont(SOUNDFONT) or SOUNDFONT)
    (tmp_path / "audio").mkdir()
    takes = one_file(tmp_path / "audio", 4, instruments=2)
    new_study(tmp_path / "study", tmp_path / "audio", "clarinet_b_flat")
    assert compared(list(User(tmp_path / "study").rows()), takes) == Found(4, 4, 0, 0, 0)


@pytest.mark.parametrize(
    ("rows", "found"),
    [
        (["0 9 a", "10 19 a", "20 29 b"], Found(3, 3, 0, 0, 0)),
        (["0 19 a", "20 29 b"], Found(3, 1, 1, 0, 0)),  # two in one
        (["0 9 a", "10 19 a", "20 29 b", "30 39 b"], Found(3, 3, 0, 1, 0)),  # none in it
        (["0 9 a", "10 19 b", "20 29 b"], Found(3, 3, 0, 0, 3)),  # b is a's; who is wrong, none can say
        (["0 9 a", "10 19 b ?", "20 29 b"], Found(3, 3, 0, 0, 0)),  # but marked
        (["0 3 a", "10 19 a", "20 29 b"], Found(3, 2, 0, 0, 0)),  # cut off
    ],
)
def test_what_was_found_is_held_against_the_truth(rows, found):
    takes = [TrueTake("x.wav", name, start + 1, start + 8) for name, start in (("A", 0), ("A", 10), ("B", 20))]
    columns = ("start_s", "end_s", "instrument", "confirm")
    sheet = [{"file": "x.wav"} | dict(zip(columns, row.split(), strict=False)) for row in rows]
    assert compared(sheet, takes) == found
