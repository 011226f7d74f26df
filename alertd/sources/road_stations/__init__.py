"""Road weather stations: surface temperature, state and friction."""
