# The page of one bone, and the index of the batch.
rule report:
    input:
        lambda w: batch.inputs("report", f"{w.target}/{w.element}"),
    output:
        "results/{target}/{element}/report.json",
    wildcard_constraints:
        target="(?!finds/)[a-z0-9][a-z0-9-]*",
        element="[a-z0-9][a-z0-9-]*",
    params:
        key=lambda w: batch.key("report", f"{w.target}/{w.element}"),
    resources:
        mem_mb=lambda w: batch.memory_mb("report", f"{w.target}/{w.element}"),
    run:
        batch.run("report", f"{wildcards.target}/{wildcards.element}", params.key)


rule index:
    input:
        batch.inputs("index", "index"),
    output:
        "results/index.json",
    params:
        key=batch.key("index", "index"),
    resources:
        mem_mb=batch.memory_mb("index", "index"),
    run:
        batch.run("index", "index", params.key)
