"""Our estimate of what authorities post: the hazard of posting and closure, the estimate by level, and its fit."""
