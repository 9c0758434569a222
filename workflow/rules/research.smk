# criteria of every take -> tests of the instruments' properties, sources of scatter.


rule factors:
    input:
        criteria=rules.assess.output.criteria,
        instruments=rules.assess.output.instruments,
        takes=rules.assess.output.takes,
        notes_normalised=rules.normalise.output.notes_normalised,
        tone=rules.normalise.output.tone,
        sheets=SHEETS,
        code=library_files("factors"),
    output:
        factors=f"{TABLES}/factors.tsv",
        variance=f"{TABLES}/variance.tsv",
        tone_factors=f"{TABLES}/tone_factors.tsv",
    log:
        "results/logs/factors.log",
    benchmark:
        "results/benchmarks/factors.tsv"
    conda:
        "../envs/analysis.yaml"
    threads: 1
    params:
        study=".",
        config=config_path,
    message:
        "Testing what the instruments' properties do"
    script:
        "../../scripts/factors.py"
