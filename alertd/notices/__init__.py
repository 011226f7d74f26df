"""Notices: who is notified of what, when, and in which words."""
