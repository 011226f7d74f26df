"""Request bodies that the HTTP interface accepts."""
