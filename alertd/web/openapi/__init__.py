"""The OpenAPI 3.1 document: types of every answer, refusals, examples and the webhooks that the daemon sends."""
