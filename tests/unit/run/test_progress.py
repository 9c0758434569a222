"""Progress in words, from workflow events."""

import io

import pytest

from evenbore.run.progress import STAGES, Progress, Screen, duration

RECORDINGS = {"evening--a": 4, "evening--b": 2, "evening--c": 6}


def started(job, rule, **wildcards):
    return {"event": "started", "job": job, "rule": rule, "wildcards": wildcards}


def finished(job):
    return {"event": "finished", "job": job}


def planned(**jobs):
    return {"event": "planned", "jobs": jobs}


def fed(recordings, *timed):
    progress = Progress(recordings)
    summaries = [progress.update(event, now) for now, event in timed]
    return progress, [summary for summary in summaries if summary]


def test_recordings_are_counted_not_jobs():
    progress, _ = fed(
        RECORDINGS,
        (0, planned(measure=3, collect=1, all=1)),
        (0, started(1, "measure", chunk="evening--a")),
        (0, started(2, "measure", chunk="evening--b")),
        (12, finished(1)),
    )
    # 4 of 12 recordings took 12 s: 3 s each, 8 to go, 24 s from then on.
    assert progress.line(12) == "Stage 1 of 2: Measuring recordings, 4 of 12, about 24 s left"
    assert progress.line(20) == "Stage 1 of 2: Measuring recordings, 4 of 12, about 16 s left"


def test_time_left_is_not_told_before_there_is_a_pace_nor_once_it_is_overdue():
    progress, _ = fed(RECORDINGS, (0, planned(measure=3, collect=1)), (0, started(1, "measure", chunk="evening--a")))
    assert progress.line(30) == "Stage 1 of 2: Measuring recordings, 0 of 12"
    progress.update(started(2, "measure", chunk="evening--b"), 30)
    progress.update(finished(1), 30)
    assert progress.line(100) == "Stage 1 of 2: Measuring recordings, 4 of 12"


def test_where_only_some_chunks_run_again_sets_are_counted():
    progress, _ = fed(RECORDINGS, (0, planned(measure=2, page=1)), (0, started(1, "measure", chunk="evening--c")))
    assert progress.line(1) == "Stage 1 of 2: Measuring recordings, 0 of 2 sets of takes"


def test_each_stage_is_summed_up_once():
    progress, summaries = fed(
        {"s--a": 3},
        (0, planned(measure=1, some_new_step=1)),
        (0, started(1, "measure", chunk="s--a")),
        (75, finished(1)),
        (75, started(2, "some_new_step")),
        (80, finished(2)),
    )
    assert summaries == [
        "Measuring recordings: done (3 recordings), 1 min 15 s",
        "Some new step: done, 5 s",
    ]
    assert not progress.failed


def test_failed_jobs_are_kept_and_no_longer_run():
    failed = {"event": "failed", "job": 1, "rule": "assess", "logs": ["results/logs/assess.log"]}
    progress, _ = fed({}, (0, planned(assess=1)), (0, started(1, "assess")), (1, failed))
    assert progress.failed == [failed]
    assert "Assessing" not in progress.line(2)


@pytest.mark.parametrize(
    ("seconds", "words"),
    [(0.4, "0 s"), (59.4, "59 s"), (59.6, "1 min 0 s"), (200, "3 min 20 s"), (3599, "1 h 0 min"), (7500, "2 h 5 min")],
)
def test_duration(seconds, words):
    assert duration(seconds) == words


class Terminal(io.StringIO):
    def isatty(self):
        return True


def test_screen_off_a_terminal_prints_notes_alone():
    stream = io.StringIO()
    screen = Screen(stream)
    screen.show("Stage 1 of 2")
    screen.note("Stage done")
    screen.clear()
    assert stream.getvalue() == "Stage done\n"


def test_screen_on_a_terminal_rewrites_one_line(monkeypatch):
    monkeypatch.setenv("COLUMNS", "12")
    stream = Terminal()
    screen = Screen(stream)
    screen.show("a long line of text")
    screen.show("short")
    screen.note("done")
    assert stream.getvalue() == "\ra long line" + "\rshort      " + "\r" + " " * 5 + "\r" + "done\n"


def test_what_was_done_anew_is_told_where_something_was_kept():
    late = [rule for rule in STAGES if rule != "measure"]
    for jobs, told in (
        ({"measure": 3} | dict.fromkeys(late, 1), ""),
        ({}, ""),
        ({"measure": 1} | dict.fromkeys(late, 1), "Done anew: 1 of 3 sets of takes measured; all else."),
        ({"figures": 1, "page": 1, "all": 1},
         "Done anew: 0 of 3 sets of takes measured; drawing figures, writing the report."),
        ({"measure": 2}, "Done anew: 2 of 3 sets of takes measured; nothing else."),
    ):  # fmt: skip
        progress, _ = fed(RECORDINGS, (0, planned(**jobs)))
        assert progress.done_anew() == told
