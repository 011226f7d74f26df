"""Sentences for drivers and dispatchers."""
