"""What people and devices reported, as events in the store."""
