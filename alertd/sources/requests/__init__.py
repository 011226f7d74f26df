"""Request bodies of the HTTP interface."""
