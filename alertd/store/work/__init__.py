"""A queue of work in a PostgreSQL store, for workers on any number of machines."""
