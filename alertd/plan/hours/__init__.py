"""Legal driving hours on the trip."""
