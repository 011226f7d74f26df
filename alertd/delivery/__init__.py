"""What goes out, for certain."""
