"""How many threads the array libraries may use. It imports nothing, so that it can come before numpy is loaded."""

from __future__ import annotations

# The arrays here are small: a pool of threads costs processor time and gains none.
SETTINGS = ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS")
ONE_EACH = dict.fromkeys(SETTINGS, "1")
