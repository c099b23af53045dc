"""One thread for the numerical libraries, set before any of them is loaded.

Matrices are small in the tests, and threads that wait for a core on which others work cost minutes.
"""

import os

for name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(name, "1")
