"""Turns a solution into the values that outputs show."""
