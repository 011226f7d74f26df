"""Road physics: pavement state and friction."""
