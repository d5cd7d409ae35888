# The clean surfaces that the recipe names become one replica at the size of the target.
rule rebuild:
    input:
        lambda w: batch.inputs("rebuild", f"{w.target}/{w.element}"),
    output:
        "results/{target}/{element}/record.json",
    wildcard_constraints:
        target="(?!finds/)[a-z0-9][a-z0-9-]*",
        element="[a-z0-9][a-z0-9-]*",
    params:
        key=lambda w: batch.key("rebuild", f"{w.target}/{w.element}"),
    resources:
        mem_mb=lambda w: batch.memory_mb("rebuild", f"{w.target}/{w.element}"),
    run:
        batch.run("rebuild", f"{wildcards.target}/{wildcards.element}", params.key)
