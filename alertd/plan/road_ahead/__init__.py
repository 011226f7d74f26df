"""Computes what the rig meets on each section at each hour."""
