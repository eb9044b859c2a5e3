"""Invented fleets with known truth, for the demonstration and to test a fit against what is true."""
