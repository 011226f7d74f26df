"""Places posted controls and closures on the route."""
