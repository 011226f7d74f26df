"""Collects the inputs of a plan from settings, records and sources, and makes the plan."""
