"""United States National Weather Service."""
