"""Compare the instruments: pairs, ranking by priorities, value for money, clusters."""

from evenbore.compare.cluster import clusters_by_family
from evenbore.compare.gates import check_gates, seen_by
from evenbore.compare.nextstep import next_table
from evenbore.compare.pairs import (
    compared_states,
    in_state,
    of_criterion,
    own_days_table,
    paired,
    pairs_table,
    questions_of,
)
from evenbore.compare.rank import draw_pools, rank_tables, save_pools
from evenbore.compare.value import value_table
from evenbore.compare.weaklinks import with_weak_links
from evenbore.files.tables import read_rows, read_table, write_table, write_table_parts
from evenbore.judge.repeatability import read_assessment
from evenbore.process.steplog import paths_of, step
from evenbore.study.sheets import load_study


def compare_study(
    path_to_study: str, path_to_config: str, path_to_criteria: str, path_to_instruments: str, path_to_takes: str,
    path_to_shifts: str, path_to_days: str, path_to_note_profiles: str, path_to_comparability: str,
    paths_to_tables: dict[str, str], path_to_draws: str,
) -> None:  # fmt: skip
    sheets = load_study(path_to_study, path_to_config)
    settings, families = sheets.config, {name: row["family"] for name, row in sheets.instruments.items()}
    registry, values = read_table(path_to_criteria, "criteria"), read_table(path_to_instruments, "instruments")
    assessed = read_assessment(values, path_to_takes, path_to_shifts, path_to_days)
    states = compared_states(values, settings["states"], settings["compare_state"])
    compared = in_state(values, states)
    checked = check_gates(compared, seen_by(sheets.inspection, states, settings["states"]), settings["gates"], states)
    gates, failed = {n: str(gate) for n, gate in checked.items()}, {n for n, gate in checked.items() if gate.failed}
    base = settings["base_dynamic"]
    at_base = read_rows(path_to_note_profiles, "note_profiles", lambda rows: rows["dynamic"] == base)
    clusters, reasons = clusters_by_family(in_state(at_base, states), families, settings["seed"])
    for family, reason in reasons.items():
        print(f"{family}: {reason or 'the instruments fall into clusters'}")
    pools = draw_pools(assessed, registry, states, families, settings["seed"], settings["draws"])
    tables = rank_tables(pools, settings["priorities"], registry, gates, failed, states, settings["seed"])
    cost = of_criterion(compared, "total_cost").set_index("instrument")["value"]
    tables |= {"clusters": clusters, "value": value_table(pools, settings["priorities"], registry, cost, failed)}
    chosen = paired(states, tables["ranking"], sheets.instruments)
    print(f"compared pair by pair: {len(chosen)} of {len(states)} instruments")
    questions = questions_of(assessed, registry, chosen, families)
    sessions = in_state(assessed.takes, states).groupby("instrument")["session"].agg(set).to_dict()
    links = read_table(path_to_comparability, "comparability")
    write_table_parts(with_weak_links(pairs_table(questions), links, sessions), "pairs", paths_to_tables["pairs"])
    tables["own_days"] = own_days_table(questions, assessed.days, settings["own_days"])
    tables["next"] = next_table(questions, assessed, sheets.instruments, sheets.sessions, base)
    for table, frame in tables.items():
        write_table(frame, table, paths_to_tables[table])
    save_pools(pools, path_to_draws)


if __name__ == "__main__":
    with step(snakemake):
        compare_study(
            **paths_of(snakemake.params, snakemake.input),
            paths_to_tables=dict(snakemake.output.items()),
            path_to_draws=snakemake.output.draws,
        )
