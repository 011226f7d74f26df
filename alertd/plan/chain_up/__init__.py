"""Chooses the stops where chains go on and come off."""
