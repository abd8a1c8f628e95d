"""What runs: intake, the ledger, the transfer model, and the Dagster graph and command that conduct them."""

import os

# Before numpy is loaded, whoever calls: sums must not depend on how many threads BLAS happens to start, and over matrices as
# small as ours these wait for each other longer than they work.
for name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(name, "1")
