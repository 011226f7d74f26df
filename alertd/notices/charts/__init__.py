"""Charts and maps of a plan, as SVG, each with its text alternative."""
