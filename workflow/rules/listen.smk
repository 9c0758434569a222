# recordings, notes and the order of the report -> clips to listen to.


rule clips:
    input:
        measured=rules.collect.input.chunks,
        recordings=rules.collect.output.recordings,
        instruments=rules.assess.output.instruments,
        ranking=rules.compare.output.ranking,
        sheets=SHEETS,
        code=library_files("clips"),
    output:
        update(f"{WORK}/clips.npz"),
    log:
        "results/logs/clips.log",
    benchmark:
        "results/benchmarks/clips.tsv"
    priority: 1
    conda:
        "../envs/analysis.yaml"
    threads: 1
    params:
        study=".",
        config=config_path,
        tables=table_folder,
    message:
        "Cutting clips to listen to"
    script:
        "../../scripts/clips.py"
