"""The words of the trade for a job, its tests and its answers: the same on every screen."""
