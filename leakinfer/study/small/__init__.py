"""Cases small enough for the exact optimum: how far above it each policy stays.

``regrets`` gives the rows. A case has three or four units, four to seven tests and two or three states; the optimum
is found by dynamic programming over all findings, and a policy's cost is exact over the whole tree of outcomes.
"""

from leakinfer.study.small.measured import Regret, regrets

__all__ = ["Regret", "regrets"]
