"""Tests of where next."""
