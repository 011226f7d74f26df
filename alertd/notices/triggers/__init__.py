"""Decides which notices a plan or a scheduled time requires."""
