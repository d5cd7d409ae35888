# The clean surface of a find is compared with those of others, to see whether its side and element are what its row says.
rule siding:
    input:
        lambda w: batch.inputs("siding", w.find),
    output:
        "results/finds/{find}/siding.json",
    wildcard_constraints:
        find="[a-z0-9][a-z0-9-]*",
    params:
        key=lambda w: batch.key("siding", w.find),
    resources:
        mem_mb=lambda w: batch.memory_mb("siding", w.find),
    run:
        batch.run("siding", wildcards.find, params.key)
