# The replica of one bone becomes what a workshop makes it from: prints, a carving or a mould, each with its job sheet.
rule ready_print:
    input:
        lambda w: batch.inputs("print", f"{w.target}/{w.element}"),
    output:
        "results/{target}/{element}/print/record.json",
    wildcard_constraints:
        target="(?!finds/)[a-z0-9][a-z0-9-]*",
        element="[a-z0-9][a-z0-9-]*",
    params:
        key=lambda w: batch.key("print", f"{w.target}/{w.element}"),
    resources:
        mem_mb=lambda w: batch.memory_mb("print", f"{w.target}/{w.element}"),
    run:
        batch.run("print", f"{wildcards.target}/{wildcards.element}", params.key)


rule ready_cnc:
    input:
        lambda w: batch.inputs("cnc", f"{w.target}/{w.element}"),
    output:
        "results/{target}/{element}/cnc/record.json",
    wildcard_constraints:
        target="(?!finds/)[a-z0-9][a-z0-9-]*",
        element="[a-z0-9][a-z0-9-]*",
    params:
        key=lambda w: batch.key("cnc", f"{w.target}/{w.element}"),
    resources:
        mem_mb=lambda w: batch.memory_mb("cnc", f"{w.target}/{w.element}"),
    run:
        batch.run("cnc", f"{wildcards.target}/{wildcards.element}", params.key)


rule ready_mould:
    input:
        lambda w: batch.inputs("mould", f"{w.target}/{w.element}"),
    output:
        "results/{target}/{element}/mould/record.json",
    wildcard_constraints:
        target="(?!finds/)[a-z0-9][a-z0-9-]*",
        element="[a-z0-9][a-z0-9-]*",
    params:
        key=lambda w: batch.key("mould", f"{w.target}/{w.element}"),
    resources:
        mem_mb=lambda w: batch.memory_mb("mould", f"{w.target}/{w.element}"),
    run:
        batch.run("mould", f"{wildcards.target}/{wildcards.element}", params.key)
