"""Records what a plan is made from, and makes a kept plan again."""
