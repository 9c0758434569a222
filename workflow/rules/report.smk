# everything -> provenance, figures, report.


rule provenance:
    input:
        sheets=SHEETS,
        benchmarks=expand("results/benchmarks/measure/{chunk}.tsv", chunk=CHUNKS)
        + expand(
            "results/benchmarks/{step}.tsv",
            step=["collect", "normalise", "assess", "compare"],
        ),
        code=library_files("provenance"),
    output:
        "results/provenance.json",
    log:
        "results/logs/provenance.log",
    conda:
        "../envs/analysis.yaml"
    threads: 1
    params:
        study=".",
        config=config_path,
    message:
        "Noting versions and inputs"
    script:
        "../../scripts/provenance.py"
