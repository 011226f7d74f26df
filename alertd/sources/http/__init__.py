"""HTTP client with limits, cache and retry for each host."""
