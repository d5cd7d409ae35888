# Neighbours of one target that come from different sources, held against each other at their joints.
rule fit:
    input:
        lambda w: batch.inputs("fit", w.target),
    output:
        "results/{target}/fit.json",
    wildcard_constraints:
        target="(?!finds/)[a-z0-9][a-z0-9-]*",
    params:
        key=lambda w: batch.key("fit", w.target),
    resources:
        mem_mb=lambda w: batch.memory_mb("fit", w.target),
    run:
        batch.run("fit", wildcards.target, params.key)
