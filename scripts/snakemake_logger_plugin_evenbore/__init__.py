"""Write what Snakemake does as one JSON object per line, for `evenbore run` to show as progress.

Why a logger plugin: it is Snakemake 9's own, versioned interface for this and hands over rule names, wildcards and
job counts as data. The text that Snakemake prints loses the rule's name where a rule has a `message:` and changes
with `--quiet`. Snakemake finds the plugin by its package name on the import path; `--logger evenbore` turns it on.
The lines go to a file, because pipes beyond the standard three cannot be passed on under Windows.
"""

import json
import os

from snakemake_interface_logger_plugins.base import LogHandlerBase
from snakemake_interface_logger_plugins.common import LogEvent


class LogHandler(LogHandlerBase):
    """Append the events that matter for progress to the file named by EVENBORE_EVENTS; none in a dry run."""

    writes_to_stream = False
    writes_to_file = False  # true would make Snakemake announce the file as its log
    has_filter = True  # the default filter would drop events under --quiet
    has_formatter = True
    needs_rulegraph = False

    def emit(self, record):
        """Write one event, if it is one of ours."""
        line = _as_line(record)
        if line and not self.common_settings.dryrun:
            with open(os.environ["EVENBORE_EVENTS"], "a", encoding="utf-8") as events:
                events.write(json.dumps(line) + "\n")


def _as_line(record):
    event = getattr(record, "event", None)
    if event == LogEvent.RUN_INFO:
        return {"event": "planned", "jobs": {rule: n for rule, n in record.stats.items() if rule != "total"}}
    if event == LogEvent.JOB_INFO:
        wildcards = {key: str(value) for key, value in (record.wildcards or {}).items()}
        return {"event": "started", "job": record.jobid, "rule": record.rule_name, "wildcards": wildcards}
    if event == LogEvent.JOB_FINISHED:
        return {"event": "finished", "job": record.job_id}
    if event == LogEvent.JOB_ERROR:
        return {"event": "failed", "job": record.jobid, "rule": record.rule_name, "logs": list(record.log or [])}
    if event == LogEvent.ERROR:
        return {"event": "error", "kind": getattr(record, "exception", ""), "message": record.getMessage()}
    if getattr(record, "evenbore", False):
        return {"event": "told", "message": record.getMessage()}
    return None
