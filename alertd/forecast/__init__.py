"""Forecast arrays as ensemble members, with source and age."""
