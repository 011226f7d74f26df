"""Airport weather reports."""
