# Every bone of every target, cleaned, rebuilt and reported. What is made, and from what, is decided in the plan.
import gc
import os

from meshtools.geometry.threads import CORES
from meshtools.glue import LOTS, Batch, remembering, spare_work

batch = Batch.for_snakemake()
workflow.global_resources.setdefault("mem_mb", batch.memory_limit_mb)  # `--resources mem_mb=N` wins


onstart:
    spare_work(workflow)
    batch.write_job_files()
    os.environ.setdefault(CORES, str(workflow.cores))  # for the jobs
    gc.freeze()  # jobs and files stay to the end: looking through them for garbage again and again took a tenth of the time


rule all:
    input:
        batch.all_outputs(),


include: "workflow/rules/clean.smk"
include: "workflow/rules/lot.smk"
include: "workflow/rules/siding.smk"
include: "workflow/rules/rebuild.smk"
include: "workflow/rules/ready.smk"
include: "workflow/rules/joint.smk"
include: "workflow/rules/fit.smk"
include: "workflow/rules/fixings.smk"
include: "workflow/rules/report.smk"
