"""Where the truck is, and the trip that remains."""
