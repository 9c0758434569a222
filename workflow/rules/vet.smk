# findings, criteria -> decisions, what changed between states.


rule vet:
    input:
        recordings=rules.collect.output.recordings,
        instruments=rules.assess.output.instruments,
        note_profiles=rules.normalise.output.note_profiles,
        notes_normalised=rules.normalise.output.notes_normalised,
        findings=rules.diagnose.output.findings,
        criteria=rules.assess.output.criteria,
        takes=rules.assess.output.takes,
        shifts=rules.assess.output.shifts,
        days=rules.assess.output.days,
        pairs=rules.compare.output.pairs,
        ranking=rules.compare.output.ranking,
        value=rules.compare.output.value,
        sheets=SHEETS,
        code=library_files("vet"),
    output:
        vetting=f"{TABLES}/vetting.tsv",
        status=f"{TABLES}/status.tsv",
        changes=f"{TABLES}/changes.tsv",
    log:
        "results/logs/vet.log",
    benchmark:
        "results/benchmarks/vet.tsv"
    priority: 1
    conda:
        "../envs/analysis.yaml"
    threads: 1
    params:
        study=".",
        config=config_path,
    message:
        "Deciding what is accepted, mended, returned or recorded again"
    script:
        "../../scripts/vet.py"
