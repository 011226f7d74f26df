"""Decides which notices a plan or a moment calls for."""
