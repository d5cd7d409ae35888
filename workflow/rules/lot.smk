# The jobs of some small bones, one after the other; only `build` asks for lots.
rule lot:
    input:
        lambda w: batch.lot_inputs(int(w.number)),
    output:
        f"{LOTS}/{{number}}.made",
    wildcard_constraints:
        number="[0-9]+",
    resources:
        mem_mb=lambda w: batch.lot_memory_mb(int(w.number)),
    run:
        batch.run_lot(int(wildcards.number), remembering(workflow.persistence))
