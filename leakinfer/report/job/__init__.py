"""The report on a job, for the customer, the file and the next technician: one content, as a page and as PDF."""

from leakinfer.report.job.record import Record

__all__ = ["Record"]
