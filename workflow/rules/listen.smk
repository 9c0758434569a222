# recordings and notes -> clips to listen to, one job a chunk.


rule clips:
    input:
        measured=f"{WORK}/chunks/{{chunk}}.npz",
        code=library_files("clips"),
    output:
        f"{WORK}/clips/{{chunk}}.npz",
    log:
        "results/logs/clips/{chunk}.log",
    benchmark:
        "results/benchmarks/clips/{chunk}.tsv"
    conda:
        "../envs/analysis.yaml"
    threads: 1
    params:
        rows=rows_of_chunk,
        base_dynamic=STUDY.config["base_dynamic"],
    message:
        "Cutting clips out of {wildcards.chunk}"
    script:
        "../../scripts/clips.py"
