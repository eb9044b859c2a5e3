"""Playing a study: its plan, who plays it, what is kept, and its tables.

:func:`~leakinfer.study.running.runner.run` plays a :class:`~leakinfer.study.running.plan.Plan` into a folder,
:func:`~leakinfer.study.running.tables.read` reads the tables there.
"""

from leakinfer.study.running.plan import Plan, load_plan
from leakinfer.study.running.runner import run
from leakinfer.study.running.tables import Tables, read

__all__ = ["Plan", "Tables", "load_plan", "read", "run"]
