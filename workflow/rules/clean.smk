# One raw scan becomes one clean surface in millimetres.
rule clean:
    output:
        "results/finds/{find}/record.json",
    wildcard_constraints:
        find="[a-z0-9][a-z0-9-]*",
    params:
        key=lambda w: batch.key("clean", w.find),
    resources:
        mem_mb=lambda w: batch.memory_mb("clean", w.find),
    run:
        batch.run("clean", wildcards.find, params.key)
