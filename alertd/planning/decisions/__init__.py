"""What is sent about a new plan, decided by the process that planned the trip or by the one that records it."""
