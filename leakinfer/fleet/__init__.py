"""Learning from a fleet's history: tables of jobs, cells, PyMC models, and the priors file that the next job reads.

Nothing heavy is imported before it is used: pandas, pymc and arviz are the extra ``leakinfer[fleet]``.
"""

import os

# PyTensor would look for a BLAS to link C code to, and warn where pip has put none; all is compiled by Numba here.
_flags = os.environ.get("PYTENSOR_FLAGS", "")
if "blas__ldflags" not in _flags:
    os.environ["PYTENSOR_FLAGS"] = ",".join(part for part in (_flags, "blas__ldflags=") if part)
