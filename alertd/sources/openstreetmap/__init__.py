"""Reads places beside roads from OpenStreetMap: Overpass, saved answers, local extracts."""
