"""Settings for all tests: property tests draw the same examples in every run and are not timed."""

from hypothesis import settings

settings.register_profile("leakinfer", derandomize=True, deadline=None)
settings.load_profile("leakinfer")
