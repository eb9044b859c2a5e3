"""Settings for all tests: property tests draw the same examples in every run and are not timed.

One thread for small matrices: more only wait for each other, many times as long where other work is going on.
"""

import os

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

from hypothesis import settings

settings.register_profile("leakinfer", derandomize=True, deadline=None)
settings.load_profile("leakinfer")
