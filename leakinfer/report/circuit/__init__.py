"""The circuit as a drawing, made from the system's data alone: pages and reports show the same one."""

from leakinfer.report.circuit.svg import circuit_svg

__all__ = ["circuit_svg"]
