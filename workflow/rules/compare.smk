# criteria -> pairs, ranking, value, clusters.


rule compare:
    input:
        criteria=rules.assess.output.criteria,
        instruments=rules.assess.output.instruments,
        takes=rules.assess.output.takes,
        shifts=rules.assess.output.shifts,
        days=rules.assess.output.days,
        note_profiles=rules.normalise.output.note_profiles,
        comparability=rules.normalise.output.comparability,
        sheets=SHEETS,
        code=library_files("compare"),
    output:
        pairs=f"{TABLES}/pairs.tsv",
        ranking=f"{TABLES}/ranking.tsv",
        rank_probabilities=f"{TABLES}/rank_probabilities.tsv",
        sensitivity=f"{TABLES}/sensitivity.tsv",
        value=f"{TABLES}/value.tsv",
        clusters=f"{TABLES}/clusters.tsv",
        own_days=f"{TABLES}/own_days.tsv",
        next=f"{TABLES}/next.tsv",
        draws=f"{WORK}/draws.npz",
    log:
        "results/logs/compare.log",
    benchmark:
        "results/benchmarks/compare.tsv"
    priority: 1
    conda:
        "../envs/analysis.yaml"
    threads: 1
    params:
        study=".",
        config=config_path,
    message:
        "Comparing the instruments"
    script:
        "../../scripts/compare.py"
