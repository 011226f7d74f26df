"""Places weather warnings on the route."""
