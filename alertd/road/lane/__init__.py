"""Runs one lane of road through the hours: serviced and untouched, with what lies and blows beside it."""
