# normalised notes -> findings.


rule diagnose:
    input:
        recordings=rules.collect.output.recordings,
        notes_normalised=rules.normalise.output.notes_normalised,
        sheets=SHEETS,
        code=library_files("diagnose"),
    output:
        findings=f"{TABLES}/findings.tsv",
    log:
        "results/logs/diagnose.log",
    benchmark:
        "results/benchmarks/diagnose.tsv"
    conda:
        "../envs/analysis.yaml"
    threads: 1
    params:
        study=".",
        config=config_path,
    message:
        "Looking for what a technician might see to"
    script:
        "../../scripts/diagnose.py"
