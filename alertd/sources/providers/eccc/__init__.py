"""Environment and Climate Change Canada."""
