# criteria of every take -> tests of the instruments' properties, sources of scatter.


rule factors:
    input:
        criteria=rules.assess.output.criteria,
        instruments=rules.assess.output.instruments,
        takes=rules.assess.output.criteria_takes,
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


rule paper:
    input:
        tables=[
            rules.collect.output.recordings,
            rules.assess.output.criteria,
            rules.assess.output.instruments,
            rules.factors.output.factors,
            rules.factors.output.variance,
            rules.factors.output.tone_factors,
        ],
        takes=rules.assess.output.criteria_takes,
        notes_normalised=rules.normalise.output.notes_normalised,
        sheets=SHEETS,
        code=library_files("paper"),
    output:
        expand(
            f"{PAPER}/{{file}}",
            file=[
                "takes.csv",
                "notes.csv",
                "instruments.csv",
                "factors.csv",
                "variance.csv",
                "tone_factors.csv",
                "data_dictionary.csv",
                "methods.md",
                "CITATION.cff",
            ],
        ),
    log:
        "results/logs/paper.log",
    benchmark:
        "results/benchmarks/paper.tsv"
    conda:
        "../envs/analysis.yaml"
    threads: 1
    params:
        study=".",
        config=config_path,
        tables=table_folder,
        folder=paper_folder,
    message:
        "Writing what a paper needs"
    script:
        "../../scripts/paper.py"
