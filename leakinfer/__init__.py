"""Tells a refrigeration technician where to look next for a refrigerant leak.

A job is a belief over the sites that can leak, every finding is a likelihood over those sites, and the next test is the
one that is expected to tell most about what must be repaired for the minutes it costs. Importing this package loads
nothing heavy; import the part that is needed, as ``leakinfer.job`` or ``leakinfer.planner``.
"""

__version__ = "0.1.0"
