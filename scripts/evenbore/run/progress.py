"""Progress of a run in words: which stage, how many recordings of how many, time left.

`Progress` turns workflow events into text and touches neither files nor screen; `Screen` shows the text.
Events are dicts with the key `event`:
    planned   jobs: {rule: number of jobs}
    started   job, rule, wildcards
    finished  job
    failed    job, rule, logs
    error     kind, message
    told      message: what the workflow has to say at its start
"""

import shutil
from typing import Any, TextIO, TypeAlias

_Event: TypeAlias = dict[str, Any]

STAGES = {
    "measure": "Measuring recordings",
    "collect": "Collecting the measurements",
    "normalise": "Taking rooms and microphones out",
    "assess": "Assessing instruments",
    "compare": "Comparing instruments",
    "diagnose": "Looking for faults",
    "factors": "Testing what properties do",
    "vet": "Vetting the instruments",
    "figures": "Drawing figures",
    "publication": "Writing sheets, workbook and bench tickets",
    "clips": "Cutting clips to listen to",
    "page": "Writing the report",
    "provenance": "Noting inputs and what changed",
}


def stage_name(rule: str) -> str:
    """The stage in words; a rule that is not listed keeps its own name."""
    return STAGES.get(rule, rule.replace("_", " ").capitalize())


class Progress:
    """State of one run, fed with events.

    `recordings` maps each chunk (the wildcard of the measuring jobs) to its number of recordings. Times are
    seconds of any steady clock.
    """

    def __init__(self, recordings: dict[str, int]):
        self.recordings = recordings
        self.planned: dict[str, int] = {}
        self.failed: list[_Event] = []
        self.errors: list[_Event] = []
        self._running: dict[int, _Event] = {}
        self._jobs_done: dict[str, int] = {}
        self._since: dict[str, float] = {}
        self._latest: dict[str, float] = {}
        self._measured = 0

    def update(self, event: _Event, now: float) -> str | None:
        """Take in one event; returns a line to show: the summary of a stage that it finishes, or what is told."""
        kind = event["event"]
        if kind == "planned":
            self.planned = {rule: n for rule, n in event["jobs"].items() if rule != "all"}
        elif kind == "started":
            self._running[event["job"]] = event
            self._since.setdefault(event["rule"], now)
        elif kind == "finished" and event["job"] in self._running:
            return self._finish(self._running.pop(event["job"]), now)
        elif kind == "failed":
            self._running.pop(event["job"], None)
            self.failed.append(event)
        elif kind == "told":
            return str(event["message"])
        elif kind == "error":
            self.errors.append(event)
        return None

    def _finish(self, job: _Event, now: float) -> str | None:
        rule = job["rule"]
        self._jobs_done[rule] = self._jobs_done.get(rule, 0) + 1
        self._latest[rule] = now
        if rule == "measure":
            self._measured += self.recordings.get(job["wildcards"].get("chunk"), 0)
        if self._jobs_done[rule] != self.planned.get(rule):
            return None
        count = f" ({self._measured} recordings)" if rule == "measure" else ""
        return f"{stage_name(rule)}: done{count}, {duration(now - self._since[rule])}"

    def done_anew(self) -> str:
        """What of all there is was planned, in words; empty where nothing was, or everything measured."""
        sets, late = len(self.recordings), [rule for rule in STAGES if rule != "measure"]
        again, measured = [rule for rule in late if rule in self.planned], self.planned.get("measure", 0)
        if not self.planned or measured == sets:
            return ""
        rest = ", ".join(stage_name(rule).lower() for rule in again) or "nothing else"
        return f"Done anew: {measured} of {sets} sets of takes measured; {'all else' if again == late else rest}."

    def line(self, now: float) -> str:
        """What is going on at time `now`, in one line."""
        rules = [job["rule"] for job in self._running.values() if job["rule"] in self.planned]
        if not rules:
            return "Working out what is to be done" if not self.planned else "Going on to the next stage"
        rule = "measure" if "measure" in rules else rules[-1]
        stages_done = sum(self._jobs_done.get(name) == n for name, n in self.planned.items())
        text = f"Stage {stages_done + 1} of {len(self.planned)}: {stage_name(rule)}"
        done, total = self._jobs_done.get(rule, 0), self.planned[rule]
        if rule == "measure" and total == len(self.recordings):
            done, total, unit = self._measured, sum(self.recordings.values()), ""
        else:  # which chunks are still good is not told beforehand, so only jobs can be counted
            unit = " sets of takes" if rule == "measure" else ""
        if total > 1:
            text += f", {done} of {total}{unit}"
        if 0 < done < total:
            pace = (self._latest[rule] - self._since[rule]) / done
            left = pace * (total - done) - (now - self._latest[rule])
            if left > 1:
                text += f", about {duration(left)} left"
        return text


class Screen:
    """Shows progress: one line rewritten in place on a terminal, only finished stages and notes elsewhere."""

    def __init__(self, stream: TextIO):
        self.stream = stream
        self._live = stream.isatty()
        self._width = 0

    def show(self, text: str) -> None:
        """Replace the updating line."""
        if self._live:
            text = text[: shutil.get_terminal_size().columns - 1]
            self.stream.write("\r" + text.ljust(self._width))
            self.stream.flush()
            self._width = len(text)

    def note(self, text: str) -> None:
        """Print a line that stays."""
        self.clear()
        print(text, file=self.stream, flush=True)

    def clear(self) -> None:
        """Take the updating line away."""
        if self._width:
            self.stream.write("\r" + " " * self._width + "\r")
            self.stream.flush()
            self._width = 0


def duration(seconds: float) -> str:
    """A time span as a person says it: `8 s`, `3 min 20 s`, `2 h 5 min`."""
    seconds = round(seconds)
    if seconds < 60:
        return f"{seconds} s"
    if seconds < 600:
        return f"{seconds // 60} min {seconds % 60} s"
    minutes = round(seconds / 60)
    return f"{minutes} min" if minutes < 60 else f"{minutes // 60} h {minutes % 60} min"
