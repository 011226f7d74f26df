"""Trips of several days: rests, breaks, the outlook beyond the good forecast, and the choices of a dispatcher."""
