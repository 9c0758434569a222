# notes -> set-ups normalised -> criteria.


rule normalise:
    input:
        recordings=rules.collect.output.recordings,
        notes=rules.collect.output.notes_parquet,
        harmonics=rules.collect.output.harmonics,
        bands=rules.collect.output.bands,
        sheets=SHEETS,
        code=library_files("normalise"),
    output:
        setups=f"{TABLES}/setups.tsv",
        comparability=f"{TABLES}/comparability.tsv",
        note_profiles=f"{TABLES}/note_profiles.tsv",
        band_profiles=f"{TABLES}/band_profiles.tsv",
        harmonic_profiles=f"{TABLES}/harmonic_profiles.tsv",
        notes_normalised=f"{WORK}/notes_normalised.parquet",
        setup_errors=f"{WORK}/setup_errors.npz",
        tone=f"{WORK}/tone.parquet",
    log:
        "results/logs/normalise.log",
    benchmark:
        "results/benchmarks/normalise.tsv"
    conda:
        "../envs/analysis.yaml"
    threads: 1
    params:
        study=".",
        config=config_path,
    message:
        "Taking rooms and microphones out"
    script:
        "../../scripts/normalise.py"


rule assess:
    input:
        recordings=rules.collect.output.recordings,
        notes_normalised=rules.normalise.output.notes_normalised,
        passage_notes=rules.collect.output.passage_notes_parquet,
        setup_errors=rules.normalise.output.setup_errors,
        sheets=SHEETS,
        code=library_files("assess"),
    output:
        criteria=f"{TABLES}/criteria.tsv",
        instruments=f"{TABLES}/instruments.tsv",
        tuning_advice=f"{TABLES}/tuning_advice.tsv",
        passages=f"{TABLES}/passages.tsv",
        takes=f"{WORK}/criteria_takes.parquet",
        shifts=f"{WORK}/criteria_shifts.parquet",
        days=f"{WORK}/own_days.parquet",
    log:
        "results/logs/assess.log",
    benchmark:
        "results/benchmarks/assess.tsv"
    conda:
        "../envs/analysis.yaml"
    threads: 1
    params:
        study=".",
        config=config_path,
    message:
        "Assessing every instrument by every criterion"
    script:
        "../../scripts/assess.py"
