"""What the notices say, drawn: for who would rather look than read."""
