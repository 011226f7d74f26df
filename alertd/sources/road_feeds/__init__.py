"""Feeds of posted road conditions."""
