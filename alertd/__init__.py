"""alertd: tells a mountain truck driver, early, where to chain up, which tires, how fast, and where to stop."""

__version__ = "0.1.0"
