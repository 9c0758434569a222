# The whole comparison: recordings of scales in, a report to buy by out.
#
#   snakemake --cores all                                   the demo study (this folder's config/)
#   snakemake --cores all --directory STUDY --configfile STUDY/config/config.yaml -s Snakefile
#
# One rule a stage, in the order in which data flows; each names its step script in scripts/. By `priority` the figures, the
# longest of the late steps, begin as soon as they can, then what the report waits for, then what is to be published.

from snakemake.utils import min_version

min_version("9.0")


# The config is read in common.smk. A `configfile` directive would read it as a template that may hold Python code.
include: "workflow/rules/common.smk"
include: "workflow/rules/measure.smk"
include: "workflow/rules/assess.smk"
include: "workflow/rules/compare.smk"
include: "workflow/rules/diagnose.smk"
include: "workflow/rules/vet.smk"
include: "workflow/rules/listen.smk"
include: "workflow/rules/research.smk"
include: "workflow/rules/report.smk"


for told in content.by_content(
    workflow, CHUNKS, lambda: warm.warm_steps(workflow.rules, CONFIG)
):
    logger.warning(told, extra={"evenbore": True})


onstart:
    # The limit of jobs a second is for clusters. Here it would only cost: every job that ends makes Snakemake 9 look for
    # jobs once more in every second that is left.
    if workflow.local_exec:
        workflow.scheduler.job_rate_limiter = None


rule all:
    default_target: True
    input:
        "results/report.html",
        rules.figures.output,
        rules.publication.output,
        "results/provenance.json",
