"""Determines the position of the truck, and the trip that remains."""
