"""Command-line interface: one-off plans, checks, reports and operations."""
