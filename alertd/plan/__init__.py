"""Plans for a trip: where and when to chain up, when to leave, and how fast to drive."""
