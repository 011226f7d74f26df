"""What the sky will do: forecast arrays, which source, how old, as ensemble members."""
