"""Readers of the operator's files."""
