"""What all tests share. Nothing here touches the network or a folder outside pytest's own."""

import os

# As the command does: reductions must not depend on the number of BLAS threads.
for name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(name, "1")
