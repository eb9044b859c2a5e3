"""Documents that cannot drift: made from the commands and the files that they describe, and compared by a test.

``python -m leakinfer.documents`` writes them anew: ``commands.md``, ``priors.md``.
"""
