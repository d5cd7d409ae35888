# Two neighbours of one target, set into their joint as their frame and pose.csv say.
rule joint:
    input:
        lambda w: batch.inputs("joint", f"{w.target}/joints/{w.joint}"),
    output:
        "results/{target}/joints/{joint}/joint.json",
    wildcard_constraints:
        target="(?!finds/)[a-z0-9][a-z0-9-]*",
        joint="[a-z0-9][a-z0-9-]*__[a-z0-9][a-z0-9-]*",
    params:
        key=lambda w: batch.key("joint", f"{w.target}/joints/{w.joint}"),
    resources:
        mem_mb=lambda w: batch.memory_mb("joint", f"{w.target}/joints/{w.joint}"),
    run:
        batch.run("joint", f"{wildcards.target}/joints/{wildcards.joint}", params.key)
