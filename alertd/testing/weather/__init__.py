"""Invented weather and real roads that the fake servers serve."""
