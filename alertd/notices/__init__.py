"""Who must hear what, in which words."""
