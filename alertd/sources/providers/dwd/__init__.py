"""Germany's weather service."""
