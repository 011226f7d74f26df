"""One module for each kind of delivery channel."""
