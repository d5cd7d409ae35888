"""Single-threaded linear algebra, as every entry point of the package sets it, before numpy is imported."""

import os

os.environ.update({name: "1" for name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS")})
