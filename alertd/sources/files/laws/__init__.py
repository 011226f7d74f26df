"""Readers of rule files and of the cases beside them."""
