"""Reads GPX files: limits and checks, elements by element, and plain points by a shorter way."""
