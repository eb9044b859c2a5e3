"""Tests of the job: facts, prior, findings and posterior on real systems."""
