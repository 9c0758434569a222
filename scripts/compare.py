"""Compare the instruments: pairs, ranking by priorities, value for money, clusters."""

from evenbore.compare.cluster import clusters_by_family
from evenbore.compare.gates import check_gates, seen_by
from evenbore.compare.pairs import compared_states, in_state, of_criterion, paired, pairs
from evenbore.compare.rank import draw_pools, rank_tables, save_pools
from evenbore.compare.value import value_table
from evenbore.files.longtables import read_rows
from evenbore.files.tables import read_parquet, read_table, write_table, write_table_parts
from evenbore.process.steplog import step_log
from evenbore.study.sheets import load_study


def compare_study(
    study: str, config: str, criteria: str, instruments: str, takes: str, shifts: str, note_profiles: str,
    tables: dict[str, str], draws: str,
) -> None:  # fmt: skip
    sheets = load_study(study, config)
    settings, families = sheets.config, {name: row["family"] for name, row in sheets.instruments.items()}
    registry, values = read_table(criteria, "criteria"), read_table(instruments, "instruments")
    scatter = read_parquet(takes), read_parquet(shifts)
    states = compared_states(values, settings["states"], settings["compare_state"])
    compared = in_state(values, states)
    seen = seen_by(sheets.inspection, states, settings["states"])
    checked = check_gates(compared, seen, settings["gates"], states)
    gates, failed = (
        {name: str(gate) for name, gate in checked.items()},
        {n for n, gate in checked.items() if gate.failed},
    )

    at_base = read_rows(note_profiles, "note_profiles", lambda rows: rows["dynamic"] == settings["base_dynamic"])
    clusters, reasons = clusters_by_family(in_state(at_base, states), families, settings["seed"])
    for family, reason in reasons.items():
        print(f"{family}: {reason or 'the instruments fall into clusters'}")
    pools = draw_pools(values, *scatter, registry, states, families, settings["seed"], settings["draws"])
    made = rank_tables(pools, settings["priorities"], registry, gates, failed, states, settings["seed"])
    cost = of_criterion(compared, "total_cost").set_index("instrument")["value"]
    made |= {"clusters": clusters, "value": value_table(pools, settings["priorities"], registry, cost, failed)}
    chosen = paired(states, made["ranking"], sheets.instruments)
    print(f"compared pair by pair: {len(chosen)} of {len(states)} instruments")
    write_table_parts(pairs(values, *scatter, registry, chosen, families), "pairs", tables["pairs"])
    for table, frame in made.items():
        write_table(frame, table, tables[table])
    save_pools(pools, draws)


if __name__ == "__main__":
    with step_log(snakemake.log[0]):
        inputs = (snakemake.input[key] for key in ("criteria", "instruments", "takes", "shifts", "note_profiles"))
        made = ("pairs", "ranking", "rank_probabilities", "sensitivity", "value", "clusters")
        compare_study(
            snakemake.params.study, snakemake.params.config, *inputs,
            tables={table: snakemake.output[table] for table in made}, draws=snakemake.output.draws,
        )  # fmt: skip
