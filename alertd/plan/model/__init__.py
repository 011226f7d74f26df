"""Values of a plan."""
