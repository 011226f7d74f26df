"""Texts for drivers and dispatchers."""
