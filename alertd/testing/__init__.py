"""Held clock, stand-in servers and an invented storm, shared by the demo and the tests."""
