"""HTTP client with per-host limits, cache and retry."""
