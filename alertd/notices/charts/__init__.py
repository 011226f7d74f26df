"""Charts and maps of a plan, as SVG and PNG, each with its text alternative."""
