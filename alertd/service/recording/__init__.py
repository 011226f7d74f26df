"""Records what a planning cycle made."""
