"""One package for each weather service."""
