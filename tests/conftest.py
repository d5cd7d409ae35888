"""Single-threaded linear algebra, as every entry point of the package sets it, before numpy is imported."""

import os

os.environ.update(dict.fromkeys(("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"), "1"))
