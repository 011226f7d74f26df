"""Traces each number of a plan to its input."""
