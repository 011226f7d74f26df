"""Weather warnings placed on the route."""
