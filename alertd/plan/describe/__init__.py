"""Converts a solution to the values that outputs show."""
