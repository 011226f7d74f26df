"""Routes of the JSON interface."""
