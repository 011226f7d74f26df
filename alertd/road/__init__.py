"""What the pavement will be like, and whether it grips."""
