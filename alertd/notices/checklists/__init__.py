"""The driver's work with chains as short lists, and what of a load is on board."""
