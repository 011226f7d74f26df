"""What this driver should do: where, when, how fast."""
