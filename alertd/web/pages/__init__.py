"""HTML pages for dispatchers and drivers."""
