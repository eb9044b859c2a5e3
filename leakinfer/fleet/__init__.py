"""Learning from a fleet's history: tables of jobs, cells, PyMC models, and the priors file that the next job reads.

Nothing heavy is imported before it is used: pandas, pymc and arviz are the extra ``leakinfer[fleet]``.
"""
