"""The command line: a thin door to the workflow and to the library."""

import argparse
import io
import json
import math
import os
import sys
from collections.abc import Callable, Iterable
from dataclasses import asdict
from pathlib import Path

from evenbore import __version__
from evenbore.facts.rows import Row
from evenbore.files.errors import EvenboreError, Problem, StudyError, in_words, told_once
from evenbore.files.paths import command, harmless, shown_path, typed
from evenbore.trade.families import family_keys, likely_family
from evenbore.trade.scale import DIRECTIONS, PATTERNS

LISTEN_CODES = {"ok": 0, "warned": 1, "set_aside": 2}
EXAMPLES = {
    "new": "my_study --audio recordings --family saxophone_alto",
    "add": "my_study --audio recordings",
    "check": "my_study",
    "plan": "my_study --takes 48",
    "run": "my_study",
    "status": "my_study",
    "listen": "recordings/yew_mf_1.wav --family saxophone_alto",
    "join": "my_study other_study --into both",
}
EXIT_CODES = (
    "Exit codes: 0 all in order; 1 something is wrong with the inputs, or has changed (`check --against`); 2 the "
    "command was misspelt; `listen` answers by status (0 good, 1 with care, 2 not usable), `run` with the workflow's "
    "own code, 130 after Ctrl-C, 141 when nobody reads what is printed."
)
BROKEN_PIPE = 141  # what shells report for a command ended by SIGPIPE


def main(argv: list[str] | None = None) -> int:
    """Run one command; returns the exit code."""
    _mend_streams()
    argv = sys.argv[1:] if argv is None else argv
    argv, options = (argv[: argv.index("--")], argv[argv.index("--") + 1 :]) if "--" in argv else (argv, [])
    parser = _parser()
    arguments = parser.parse_args(argv)
    if options and arguments.command != "run":
        parser.error("only `run` takes options after --")
    arguments.options = options
    try:
        code: int = arguments.function(arguments)
        sys.stdout.flush()
        return code
    except StudyError as error:
        return _report(error.problems)
    except EvenboreError as error:
        print(error, file=sys.stderr)
        return 1
    except BrokenPipeError:  # whoever reads has enough, such as `head`; Python must not try to flush at its end
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return BROKEN_PIPE
    except (OSError, MemoryError) as error:
        print(in_words(error), file=sys.stderr)
        return 1
    except KeyboardInterrupt:
        print("Stopped.", file=sys.stderr)
        return 130


def _mend_streams() -> None:
    """Let there be places to print to, where they were closed, and no character stop us that a terminal lacks."""
    while (number := os.open(os.devnull, os.O_RDWR)) <= 2:
        pass
    os.close(number)
    for name in ("stdout", "stderr"):
        if getattr(sys, name) is None:
            setattr(sys, name, open(os.devnull, "w", encoding="utf-8"))  # noqa: SIM115 (to the end)
        elif isinstance(stream := getattr(sys, name), io.TextIOWrapper):
            stream.reconfigure(errors="backslashreplace")


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog=command(), description="Compare wind instruments fairly, from recordings of scales.", epilog=EXIT_CODES
    )
    parser.add_argument("--version", action="version", version=f"evenbore {__version__}")
    commands = parser.add_subparsers(dest="command", required=True, metavar="COMMAND")

    def add(name: str, function: Callable[[argparse.Namespace], int], words: str) -> argparse.ArgumentParser:
        example = f"Example: {command()} {name} {EXAMPLES[name]}"
        added = commands.add_parser(name, help=words, description=words[0].upper() + words[1:] + ".", epilog=example)
        added.set_defaults(function=function)
        return added

    new = add("new", _new, "write a study folder from a folder of recordings")
    new.add_argument("study", type=Path, metavar="STUDY", help="folder to write")
    _add_audio(new)
    _add_family(new, required=False)
    new.add_argument("--workbook", action="store_true", help="write the sheets as one workbook, config/study.xlsx")

    more = add("add", _add, "add later recordings to a study")
    more.add_argument("study", type=Path, metavar="STUDY")
    _add_audio(more)

    check = add("check", _check, "check a study's config and sheets and open every recording")
    check.add_argument("study", type=Path, metavar="STUDY")
    check.add_argument(
        "--against",
        type=Path,
        metavar="FILE",
        help="tell what has changed since the run that wrote this provenance.json",
    )
    _add_json(check)

    plan = add("plan", _plan, "plan the recordings of a study: order, blinding, links, predicted errors")
    plan.add_argument("study", type=Path, metavar="STUDY", help="folder with config, instruments and sessions")
    plan.add_argument("--takes", type=int, metavar="N", help="most takes in all (default: three turns of each)")
    plan.add_argument(
        "--slurred-only", action="store_true", help="the slurred scale alone; no tongued, soft, loud takes"
    )
    plan.add_argument("--pilot", type=Path, metavar="STUDY", help="a study that was run, to take the scatter from")
    plan.add_argument("--players", nargs="+", default=[], metavar="NAME", help="who plays, each every instrument")
    plan.add_argument("--phrase", default="", metavar="NAME", help="a phrase of music, each turn softly and loudly")
    plan.add_argument("--show-key", action="store_true", help="show which code is which, to label the instruments")
    plan.add_argument("--unseal", type=Path, metavar="BLIND_STUDY", help="put names and materials into the blind study")

    run = add("run", _run, "run the workflow on a study")
    run.usage = f"{command()} run [-h] [--cores N] STUDY [-- SNAKEMAKE OPTIONS]"
    run.add_argument("study", type=Path, metavar="STUDY")
    run.add_argument("--cores", type=int, metavar="N", help="processor cores to use (default: all)")

    status = add("status", _status, "tell the status of every instrument, and what changed since the run before")
    status.add_argument("study", type=Path, metavar="STUDY", help="a study that was run")
    _add_json(status)

    listen = add("listen", _listen, "take a quick look at one take")
    listen.add_argument("file", type=Path, metavar="FILE")
    _add_family(listen)
    listen.add_argument("--low", metavar="NOTE", help="lowest written note played, such as Bb3 (default: the family's)")
    listen.add_argument("--high", metavar="NOTE", help="highest written note played (default: the family's)")
    listen.add_argument("--pattern", choices=PATTERNS)
    listen.add_argument(
        "--notes", metavar="NOTES", help="written notes in playing order for --pattern notes: 'C4 E4 G4'"
    )
    listen.add_argument("--direction", choices=DIRECTIONS, default="up")
    listen.add_argument("--tuning-hz", type=float, default=440.0, metavar="HZ", help="the A4 tuned to (default: 440)")
    _add_json(listen)

    join = add("join", _join, "make one study out of several, linked by instruments with the same id")
    join.add_argument("studies", type=Path, nargs="+", metavar="STUDY")
    join.add_argument("--into", type=Path, required=True, metavar="STUDY", help="folder to write")
    return parser


def _add_json(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--json", action="store_true", help="the same as JSON, for programs")


def _add_audio(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--audio", type=Path, required=True, metavar="DIR", help="folder of recordings")
    parser.add_argument(
        "--order", type=Path, metavar="FILE", help="running list: the takes as recorded, one a line, as `yew mf`"
    )


def _add_family(parser: argparse.ArgumentParser, required: bool = True) -> None:
    keys = family_keys()

    def family(text: str) -> str:
        if text in keys:
            return text
        likely = likely_family(text, keys)
        raise argparse.ArgumentTypeError(
            f"there is no family {text!r}"
            + (f", perhaps {likely}" if likely else "")
            + f"; choose from {', '.join(keys)}"
        )

    blank = "" if required else " (default: what the names tell)"
    parser.add_argument(
        "--family", required=required, type=family, metavar="FAMILY",
        help=f"kind of instrument: {', '.join(keys)}{blank}",
    )  # fmt: skip


def _new(arguments: argparse.Namespace) -> int:
    from evenbore.study.new import new_study

    told = new_study(arguments.study, arguments.audio, arguments.family, arguments.order, arguments.workbook)
    return _tell_written(arguments.study, told)


def _add(arguments: argparse.Namespace) -> int:
    from evenbore.study.new import add_recordings

    return _tell_written(arguments.study, add_recordings(arguments.study, arguments.audio, arguments.order))


def _tell_written(study: Path, told: list[str]) -> int:
    print(f"Written: {shown_path(study)}")
    print("What was found:")
    _tell(f"  {line}" for line in told)
    print(f"Next: name the takes by ear in {shown_path(study / 'naming.html')}, where names left doubts,")
    print(f"and fill in the sheets in {shown_path(study / 'config')}")
    print(f"Then: {command()} check {typed(study)}")
    return 0


def _check(arguments: argparse.Namespace) -> int:
    if arguments.against is not None:
        return _against(arguments)
    from evenbore.plan.singlelink import players_apart, single_links
    from evenbore.study.check import check_reading, kinds_apart, unnamed_audio
    from evenbore.study.defaults import played_range
    from evenbore.study.sheets import complete_study, read_study

    reading = read_study(arguments.study)
    problems = check_reading(reading)
    beside = unnamed_audio(reading)
    if problems:
        if arguments.json:
            _print_json({"problems": [asdict(problem) for problem in problems], "told": beside})
            return 1
        _tell(beside)
        return _report(problems)
    study = complete_study(reading)
    told = [*kinds_apart(study), *single_links(study), *players_apart(study), *played_range(study), *beside]
    if arguments.json:
        _print_json({"problems": [], "told": told})
        return 0
    _tell_added(study.added_settings)
    print(f"All in order. Next: {command()} run {typed(arguments.study)}")
    _tell(told)
    return 0


def _status(arguments: argparse.Namespace) -> int:
    from evenbore.files.tables import read_table
    from evenbore.run.history import FILE, changes_in_words, past_runs

    table = arguments.study / "results" / "tables" / "status.tsv"
    if not table.is_file():
        raise EvenboreError(f"There are no results yet. Next: {command()} run {typed(arguments.study)}")
    rows = read_table(table, "status")
    runs = past_runs(arguments.study / FILE)
    if arguments.json:
        latest = runs[-1] if len(runs) > 1 else {"when": None, "changed": [], "why": []}
        instruments = json.loads(rows.to_json(orient="records"))
        _print_json({"instruments": instruments} | {key: latest[key] for key in ("when", "changed", "why")})
        return 0
    _tell(rows.loc[rows["current"] == "yes", "sentence"])
    _tell(changes_in_words(runs))
    return 0


def _tell(lines: Iterable[str]) -> None:
    for line in lines:
        print(harmless(line))


def _print_json(answer: dict[str, object]) -> None:
    print(json.dumps(answer, ensure_ascii=False, indent=1))


def _tell_added(settings: list[str]) -> None:
    """Say which settings a config from before a criterion existed does not give."""
    if settings:
        print("The config does not give these settings. The program's own are used; to choose, add them to the config:")
        print("\n".join(f"  {setting}" for setting in settings))


def _against(arguments: argparse.Namespace) -> int:
    from evenbore.run.against import changes_since

    changes = changes_since(arguments.study, arguments.against)
    if not changes:
        print("Nothing has changed since that run.")
        return 0
    print("Changed since that run:")
    print("\n".join(f"  {line}" for line in changes))
    return 1


def _plan(arguments: argparse.Namespace) -> int:
    from evenbore.plan.plan import BLIND, FOLDER, open_key, unblind, write_plan

    if arguments.show_key:
        print("\n".join(f"{code}  {row['instrument']}" for code, row in sorted(open_key(arguments.study).items())))
        return 0
    if arguments.unseal:
        print(f"Written: {shown_path(unblind(arguments.study, arguments.unseal))}")
        return 0
    plan = write_plan(
        arguments.study, arguments.takes, arguments.slurred_only, arguments.pilot, players=arguments.players,
        phrase=arguments.phrase,
    )  # fmt: skip
    print(f"Written: {shown_path(arguments.study / FOLDER)}: running sheet, protocol, guide track, sealed key")
    each = " with each player" * (len(plan.layout.players) > 1)
    print(f"{len(plan.turns)} turns, {plan.n_takes} takes: every instrument {plan.layout.rounds} times a session{each}")
    print("\n".join(f"  {session}: {len(names)} instruments" for session, names in plan.layout.visits.items()))
    told = plan.predicted.set_index("criterion")
    print(f"What it will be able to tell (smallest difference; scatter {told['origin'].iloc[0]}):")
    if plan.factor:
        print(f"of two levels of {plan.factor}:")
        print("\n".join(f"  {c}: {row.detectable_factor:.2g} {row.unit}" for c, row in told.iterrows()))
    print("of two instruments:")
    print("\n".join(f"  {c}: {row.detectable_pair:.2g} {row.unit}" for c, row in told.iterrows()))
    print(f"Next: label the instruments (evenbore plan {typed(arguments.study)} --show-key), print the running sheet,")
    print(f"and record into {shown_path(arguments.study / FOLDER / BLIND)}")
    return 0


def _run(arguments: argparse.Namespace) -> int:
    from evenbore.run.stranger import refuse_links
    from evenbore.run.workflow import run_workflow
    from evenbore.study.defaults import played_range
    from evenbore.study.sheets import chunks, load_study

    study = arguments.study.resolve()
    loaded = load_study(study)
    refuse_links(study)
    _tell_added(loaded.added_settings)
    recordings = {chunk: len(rows) for chunk, rows in chunks(loaded).items()}
    cores = [] if arguments.cores is None else ["--cores", str(arguments.cores)]
    code = run_workflow(study, recordings, cores + arguments.options)
    if code == 0:
        _tell(played_range(loaded))
    return code


def _listen(arguments: argparse.Namespace) -> int:
    from evenbore.run.listen import describe, measured_guarded, row_for_listening
    from evenbore.trade.families import load_family
    from evenbore.trade.scale import expected_scale

    family = load_family(arguments.family)
    pattern = arguments.pattern or ("notes" if arguments.notes else "chromatic")
    if arguments.notes and pattern != "notes":
        raise EvenboreError(f"--notes goes with --pattern notes, not with --pattern {pattern}.")
    row = row_for_listening(
        arguments.file,
        family,
        pattern,
        arguments.low,
        arguments.high,
        arguments.direction,
        arguments.tuning_hz,
        arguments.notes,
    )
    expected = expected_scale(family, row["pattern"], row["low"], row["high"], row["direction"], row["notes"])
    recording, notes = measured_guarded(row)
    if arguments.json:
        _print_json({"recording": _known(recording), "notes": [_known(note) for note in notes]})
        return LISTEN_CODES[recording["status"]]
    print(f"{shown_path(arguments.file)}: {family.name}")
    print(describe(recording, notes, [int(note) for note in expected], family))
    return LISTEN_CODES[recording["status"]]


def _known(row: Row) -> Row:
    """A row for JSON: what was not measured is null."""
    return {key: None if isinstance(value, float) and math.isnan(value) else value for key, value in row.items()}


def _join(arguments: argparse.Namespace) -> int:
    from evenbore.study.join import join_studies

    joined = join_studies(arguments.studies, arguments.into)
    print(f"Written: {shown_path(arguments.into)}")
    print("\n".join(f"  {line}" for line in joined))
    print(f"Next: {command()} check {typed(arguments.into)}")
    return 0


def _report(problems: list[Problem]) -> int:
    told = told_once(problems)
    for text in told:
        print(text, file=sys.stderr)
    rows = f", in {len(problems)} places" * (len(problems) > len(told))
    print(f"{len(told)} problem{'s' if len(told) != 1 else ''}{rows}.", file=sys.stderr)
    return 1


if __name__ == "__main__":
    sys.exit(main())
