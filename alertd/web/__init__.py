"""HTTP application: middleware, authorization and problem details."""
