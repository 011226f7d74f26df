"""One-shot use and operations."""
