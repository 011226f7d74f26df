"""Keeps forecasts and observations of passes through a winter, and scores the chain on them."""
