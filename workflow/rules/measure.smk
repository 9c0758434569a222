# recordings -> notes: one job a chunk (an instrument in a session), then one table of each kind.


rule measure:
    input:
        code=library_files("measure"),
        families=[here(path) for path in OWN_FAMILIES],
    output:
        update(f"{WORK}/chunks/{{chunk}}.npz"),
    log:
        "results/logs/measure/{chunk}.log",
    benchmark:
        "results/benchmarks/measure/{chunk}.tsv"
    conda:
        "../envs/analysis.yaml"
    threads: 1
    params:
        rows=rows_of_chunk,
        chunk="{chunk}",
    message:
        "Measuring the recordings of {wildcards.chunk}"
    script:
        "../../scripts/measure.py"


rule collect:
    input:
        chunks=expand(f"{WORK}/chunks/{{chunk}}.npz", chunk=CHUNKS),
        code=library_files("collect"),
    output:
        recordings=f"{TABLES}/recordings.tsv",
        notes=f"{TABLES}/notes.tsv",
        notes_parquet=f"{TABLES}/notes.parquet",
        passage_notes=f"{TABLES}/passage_notes.tsv",
        passage_notes_parquet=f"{TABLES}/passage_notes.parquet",
        harmonics=f"{TABLES}/harmonics.parquet",
        bands=f"{TABLES}/bands.parquet",
    log:
        "results/logs/collect.log",
    benchmark:
        "results/benchmarks/collect.tsv"
    conda:
        "../envs/analysis.yaml"
    threads: 1
    params:
        on_bad_recording=STUDY.config["on_bad_recording"],
        order=[row["recording"] for row in STUDY.recordings],
        phrases=phrases(STUDY),
    message:
        "Collecting what the recordings told"
    script:
        "../../scripts/collect.py"
