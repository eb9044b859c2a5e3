"""The page on a fleet: what its history says of the priors, and what to do about it."""
