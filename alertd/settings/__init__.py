"""The operator's files as values."""
