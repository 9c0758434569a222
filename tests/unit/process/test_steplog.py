"""A step's log holds what it printed and why it stopped."""

import errno
import sys

import pytest

from evenbore.files.errors import EvenboreError
from evenbore.process.steplog import step_log


def test_print_goes_to_the_log(tmp_path, capsys):
    with step_log(tmp_path / "logs" / "step.log"):
        print("♭ measured")
        print("a warning", file=sys.stderr)
    assert (tmp_path / "logs" / "step.log").read_text(encoding="utf-8") == "♭ measured\na warning\n"
    assert capsys.readouterr() == ("", "")


def test_expected_trouble_ends_the_step_in_plain_words(tmp_path):
    with pytest.raises(SystemExit) as stop, step_log(tmp_path / "step.log"):
        raise EvenboreError("The clarinet is silent.")
    assert stop.value.code == 1
    assert (tmp_path / "step.log").read_text(encoding="utf-8") == "The clarinet is silent.\n"


@pytest.mark.parametrize(
    ("refused", "words"),
    [
        (OSError(errno.ENOSPC, "No space left on device", "notes.tsv"), "notes.tsv: No space left on device.\n"),
        (OSError("odd"), "odd.\n"),
        (MemoryError(), "Not enough memory: close other programs, or let fewer jobs run at once.\n"),
    ],
)
def test_what_the_system_refuses_ends_the_step_in_plain_words(tmp_path, refused, words):
    with pytest.raises(SystemExit), step_log(tmp_path / "step.log"):
        raise refused
    assert (tmp_path / "step.log").read_text(encoding="utf-8") == words


def test_a_fault_of_the_program_leaves_a_traceback(tmp_path):
    with pytest.raises(ZeroDivisionError), step_log(tmp_path / "step.log"):
        1 / 0  # noqa: B018
    text = (tmp_path / "step.log").read_text(encoding="utf-8")
    assert "Traceback" in text
    assert text.endswith("ZeroDivisionError: division by zero\n")


def test_every_run_starts_a_new_log(tmp_path):
    for text in ("first", "second"):
        with step_log(tmp_path / "step.log"):
            print(text)
    assert (tmp_path / "step.log").read_text(encoding="utf-8") == "second\n"
