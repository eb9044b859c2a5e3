"""Documents that cannot drift: made from the commands, names and files that they describe, and compared by a test.

``python -m leakinfer.documents`` writes them anew: ``commands.md``, ``library.md``, ``priors.md``.
"""
