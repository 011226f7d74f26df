"""Manual clock, fake servers and an invented storm, shared by the demo and the tests."""
