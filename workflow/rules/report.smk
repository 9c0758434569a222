# everything -> figures, what is to be printed or published, provenance, report.


rule figures:
    input:
        measured=[rules.collect.output.recordings, rules.collect.output.notes],
        normalised=[
            rules.normalise.output.setups,
            rules.normalise.output.comparability,
            rules.normalise.output.note_profiles,
            rules.normalise.output.band_profiles,
        ],
        assessed=[
            rules.assess.output.criteria,
            rules.assess.output.instruments,
            rules.assess.output.tuning_advice,
        ],
        compared=[
            rules.compare.output.pairs,
            rules.compare.output.ranking,
            rules.compare.output.rank_probabilities,
            rules.compare.output.sensitivity,
            rules.compare.output.value,
            rules.compare.output.clusters,
        ],
        findings=rules.diagnose.output.findings,
        researched=[rules.factors.output.factors, rules.factors.output.variance],
        sheets=SHEETS,
        code=library_files("figures"),
    output:
        png=[
            report(
                f"{FIGURE_FOLDER}/{name}.png",
                caption=str(Path.cwd() / CAPTION_FOLDER / f"{name}.rst"),
                category=entry.category,
                labels={"figure": name.replace("_", " ")},
            )
            for name, entry in FIGURES.items()
        ],
        svg=expand(f"{FIGURE_FOLDER}/{{name}}.svg", name=FIGURES),
        captions=expand(f"{CAPTION_FOLDER}/{{name}}.rst", name=FIGURES),
        pictures=expand(f"{PUBLICATION}/{{name}}.png", name=PICTURES),
    log:
        "results/logs/figures.log",
    benchmark:
        "results/benchmarks/figures.tsv"
    priority: 2
    conda:
        "../envs/analysis.yaml"
    threads: 1
    params:
        study=".",
        config=config_path,
        tables=table_folder,
        figures=figure_folder,
        captions=caption_folder,
        publication=publication_folder,
    message:
        "Drawing the figures"
    script:
        "../../scripts/figures.py"


rule publication:
    input:
        tables=[
            *rules.figures.input.measured,
            *rules.figures.input.normalised,
            *rules.figures.input.assessed,
            *rules.figures.input.compared,
            rules.figures.input.findings,
            rules.vet.output.vetting,
            rules.vet.output.status,
            rules.vet.output.changes,
            *rules.figures.input.researched,
            rules.factors.output.tone_factors,
        ],
        takes=rules.assess.output.takes,
        notes_normalised=rules.normalise.output.notes_normalised,
        sheets=SHEETS,
        code=library_files("publication"),
    output:
        sheets=directory(f"{PUBLICATION}/sheets"),
        quotes=f"{PUBLICATION}/quotes.txt",
        workbook="results/comparison.xlsx",
        tickets=directory("results/bench_tickets"),
        paper=expand(
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
        "results/logs/publication.log",
    benchmark:
        "results/benchmarks/publication.tsv"
    conda:
        "../envs/analysis.yaml"
    threads: 1
    params:
        study=".",
        config=config_path,
        tables=table_folder,
        folder=publication_folder,
        paper=paper_folder,
    message:
        "Writing sheets, workbook, bench tickets and what a paper needs"
    script:
        "../../scripts/publication.py"


rule provenance:
    input:
        sheets=SHEETS,
        chunks=rules.collect.input.chunks,
        benchmarks=expand("results/benchmarks/measure/{chunk}.tsv", chunk=CHUNKS)
        + expand(
            "results/benchmarks/{step}.tsv",
            step=[
                "collect",
                "normalise",
                "assess",
                "compare",
                "diagnose",
                "factors",
                "vet",
            ],
        ),
        tables=[rules.vet.output.status, rules.compare.output.ranking],
        code=[here(path) for path in dependencies.all_files()],
    output:
        "results/provenance.json",
    log:
        "results/logs/provenance.log",
    priority: 1
    conda:
        "../envs/analysis.yaml"
    threads: 1
    params:
        study=".",
        config=config_path,
        tables=table_folder,
        history=history_path,
    message:
        "Noting versions, inputs and what changed in the answer"
    script:
        "../../scripts/provenance.py"


rule page:
    input:
        tables=[
            *rules.figures.input.measured,
            *rules.figures.input.normalised,
            *rules.figures.input.assessed,
            *rules.figures.input.compared,
            rules.figures.input.findings,
            *rules.figures.input.researched,
            rules.factors.output.tone_factors,
            rules.vet.output.vetting,
            rules.vet.output.status,
            rules.vet.output.changes,
            rules.compare.output.own_days,
            rules.compare.output.next,
            rules.collect.output.passage_notes,
            rules.assess.output.passages,
        ],
        harmonics=rules.normalise.output.harmonic_profiles,
        draws=rules.compare.output.draws,
        clips=clips_wanted,
        provenance=rules.provenance.output[0],
        sheets=SHEETS,
        code=library_files("page"),
    output:
        report="results/report.html",
        columns=f"{TABLES}/columns.tsv",
        told=f"{WORK}/told.txt",
    log:
        "results/logs/page.log",
    benchmark:
        "results/benchmarks/page.tsv"
    priority: 1
    conda:
        "../envs/analysis.yaml"
    threads: 1
    params:
        study=".",
        config=config_path,
        tables=table_folder,
        history=history_path,
    message:
        "Writing the report"
    script:
        "../../scripts/page.py"
