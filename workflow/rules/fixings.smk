# A bent tube through a row of bones in their pose, and the holes of the armature cut into one replica.
rule row:
    input:
        lambda w: batch.inputs("row", f"{w.target}/rows/{w.row}"),
    output:
        "results/{target}/rows/{row}/row.json",
    wildcard_constraints:
        target="(?!finds/)[a-z0-9][a-z0-9-]*",
        row="[a-z0-9][a-z0-9-]*__[a-z0-9][a-z0-9-]*",
    params:
        key=lambda w: batch.key("row", f"{w.target}/rows/{w.row}"),
    resources:
        mem_mb=lambda w: batch.memory_mb("row", f"{w.target}/rows/{w.row}"),
    run:
        batch.run("row", f"{wildcards.target}/rows/{wildcards.row}", params.key)


rule fixings:
    input:
        lambda w: batch.inputs("fixings", f"{w.target}/{w.element}"),
    output:
        "results/{target}/{element}/armature/record.json",
    wildcard_constraints:
        target="(?!finds/)[a-z0-9][a-z0-9-]*",
        element="[a-z0-9][a-z0-9-]*",
    params:
        key=lambda w: batch.key("fixings", f"{w.target}/{w.element}"),
    resources:
        mem_mb=lambda w: batch.memory_mb("fixings", f"{w.target}/{w.element}"),
    run:
        batch.run("fixings", f"{wildcards.target}/{wildcards.element}", params.key)
